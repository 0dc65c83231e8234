"""Tools that tests hold ours against: without one a test is skipped, and fails where nothing may be skipped."""

from __future__ import annotations

import os
import shutil

import pytest

needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None and os.environ.get("FLEET_TEST_ALL") != "1", reason="openssl is not installed"
)
