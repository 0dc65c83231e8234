"""A daemon in this process, and the command line beside it."""

from __future__ import annotations

import os

import pytest

from tests.faces.daemon_in_process import daemon, fleet, home

__all__ = ["daemon", "fleet", "home"]


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The environment of whoever runs the tests decides nothing."""
    for name in [n for n in os.environ if n.startswith("FLEET_") and n not in {"FLEET_TEST_ALL", "FLEET_GOLDEN"}]:
        monkeypatch.delenv(name)
