"""A daemon in this process, and the command line beside it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The environment of whoever runs the tests decides nothing."""
    for name in [n for n in os.environ if n.startswith("FLEET_") and n not in {"FLEET_TEST_ALL", "FLEET_GOLDEN"}]:
        monkeypatch.delenv(name)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """The daemon's folder."""
    return tmp_path / "home"


@pytest.fixture
def daemon(home: Path) -> Iterator[RunningDaemon]:
    """A daemon with the venue loaded and all its devices there."""
    with a_daemon(home) as running:
        yield running


@pytest.fixture
def fleet(home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    """The command line."""
    return CommandLine(home, monkeypatch, capsys)
