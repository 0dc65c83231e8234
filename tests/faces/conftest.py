"""A daemon in this process, and the command line beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon


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
