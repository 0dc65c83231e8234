"""A broker for tests that need no more than one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import embedded_broker


@pytest.fixture
def broker_port(tmp_path: Path) -> Iterator[int]:
    """The port of a broker of the test's own."""
    with embedded_broker(tmp_path) as port:
        yield port
