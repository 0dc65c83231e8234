"""`fleet log`: the daemon's log in a terminal, as it is and as it grows."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.app.logs import Devices, logging_to
from tests.faces.daemon_in_process import CommandLine, RunningDaemon

log = logging.getLogger("fleet.test")


@pytest.fixture
def _logging(daemon: RunningDaemon) -> Iterator[None]:
    devices = Devices()
    devices.known = daemon.services.inventory.online
    with logging_to(daemon.home, devices):
        yield


@pytest.mark.usefixtures("_logging")
def test_it_shows_what_is_wanted(fleet: CommandLine) -> None:
    log.warning("change %s is late", "c-00000001")
    log.error("%s sent \x1b[2Jnonsense\nand more", "box-1")
    said = fleet("log", "--level", "warning")
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[-3].endswith("  warning  change c-00000001 is late")
    assert lines[-2].endswith("  error    box-1 sent ?[2Jnonsense")
    assert lines[-1] == "    and more"
    assert fleet("log", "--level", "error").out.splitlines() == lines[-2:]
    assert fleet("log", "--change", "c-00000001").out.splitlines() == lines[-3:-2]
    assert fleet("log", "--lines", "1").out.splitlines() == lines[-2:]
    assert fleet("log", "--since", "1h", "--level", "error").out.splitlines() == lines[-2:]
    assert fleet("log", "--since", "2999-01-01T00:00Z").out == ""


@pytest.mark.usefixtures("_logging")
def test_as_a_document(fleet: CommandLine) -> None:
    log.error("%s is strange", "box-1")
    document = json.loads(fleet("log", "--level", "error", "--json").out)
    assert document["format"] == "fleet-log/1"
    assert document["lines"][-1]["device"] == "box-1"
    assert document["last"] == document["lines"][-1]["number"]


def test_times_that_are_none_are_told(daemon: RunningDaemon, fleet: CommandLine) -> None:
    for text, words in (("yesterday", "is no time"), ("2031-10-26T02:30", "twice")):
        said = fleet("log", "--since", text)
        assert said.code == 2
        assert words in said.err


@pytest.mark.usefixtures("_logging")
def test_it_follows_until_it_is_stopped(daemon: RunningDaemon, home: Path) -> None:
    log.error("before")
    words = [sys.executable, "-m", "fleet.app", "log", "--follow", "--json", "--level", "error", "--home", str(home)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env={**os.environ, "NO_COLOR": "1"}) as follower:
        assert follower.stdout is not None
        try:
            assert json.loads(follower.stdout.readline())["message"] == "before"
            log.info("unheard")
            log.error("after")
            assert json.loads(follower.stdout.readline())["message"] == "after"
            time.sleep(0)
            follower.send_signal(signal.SIGINT)
            assert follower.wait(30) == 2
        finally:
            follower.kill()
