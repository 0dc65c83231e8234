"""A daemon that serves all of its networks, as a process of its own, called from another machine over TLS."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.network.two_machines import CALLS, SERVES, Machine, two_machines

REPOSITORY = Path(__file__).parents[2]
CALLING = Path(__file__).with_name("calling_from_outside.py")
PORT = 8443
PATIENCE_S = 60.0


@pytest.fixture
def machines() -> Iterator[tuple[Machine, Machine]]:
    with two_machines() as machines:
        yield machines


class Fleet:
    """The commands and the daemon of one home, on one machine."""

    def __init__(self, machine: Machine, home: Path) -> None:
        self.home = home
        self._machine = machine
        own = {name: value for name, value in os.environ.items() if not name.startswith("FLEET_")}
        self._env = {**own, "PYTHONPATH": str(REPOSITORY), "FLEET_HOME": str(home)}

    def run(self, *words: str, code: int = 0) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(self._words(*words), env=self._env, capture_output=True, text=True, check=False)
        assert done.returncode == code, done.stdout + done.stderr
        return done

    def json(self, *words: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.run(*words, "--json").stdout)
        return found

    @contextmanager
    def daemon(self, *words: str) -> Iterator[None]:
        """A daemon for the length of the block."""
        address, log = self.home / "daemon.json", self.home.with_suffix(".log")
        address.unlink(missing_ok=True)
        with log.open("a") as errors:
            words = ("daemon", "--interface", "127.0.0.1", *words)
            started = subprocess.Popen(self._words(*words), env=self._env, stderr=errors)
            try:
                deadline = time.monotonic() + PATIENCE_S
                while not address.is_file():
                    assert started.poll() is None, log.read_text()
                    assert time.monotonic() < deadline, log.read_text()
                    time.sleep(0.05)
                yield
            finally:
                started.terminate()
                started.wait(PATIENCE_S)

    def _words(self, *words: str) -> list[str]:
        return self._machine.words(sys.executable, "-m", "fleet.app", *words)


def test_all_networks_are_served_over_tls_to_who_has_a_token(machines: tuple[Machine, Machine], tmp_path: Path) -> None:
    serving, calling = machines
    fleet = Fleet(serving, tmp_path / "home")
    outside = ("--bind", "0.0.0.0", "--port", str(PORT))
    refused = fleet.run("daemon", *outside, code=2).stderr
    for words in ("tls_certificate, tls_key, an access token", "fleet access make", "fleet access certificate"):
        assert words in refused
    assert "Traceback" not in refused
    made = fleet.json("access", "certificate", "--for", SERVES, "--for", "fleet.example")
    with fleet.daemon():
        token = fleet.json("access", "make", "Ana", "--role", "integrator")["token"]
    (fleet.home / "config.toml").write_text(
        f'hosts = ["fleet.example"]\ntls_certificate = "{made["certificate"]}"\ntls_key = "{made["key"]}"\n'
    )
    with fleet.daemon(*outside):
        here = urlsplit(json.loads((fleet.home / "daemon.json").read_text())["url"])
        assert (here.scheme, here.hostname) == ("http", "127.0.0.1")
        assert here.port not in {None, PORT}
        script = [sys.executable, str(CALLING), SERVES, str(PORT), str(here.port), made["certificate"], token]
        called = subprocess.run(calling.words(*script), capture_output=True, text=True, check=False)
        assert called.returncode == 0, called.stderr
        assert json.loads(called.stdout) == {
            "page": "<!doctype html>",
            "without a token": 401,
            "with a wrong one": 401,
            "with one": 200,
            "signed in": 200,
            "cookie": "HttpOnly; Path=/; SameSite=strict; Secure",
            "ends others": 200,
            "ends others from elsewhere": 403,
            "as fleet.example": 200,
            "as elsewhere.example": 421,
            "as 127.0.0.1": 200,
            "TLS 1.1": "ConnectError",
            "untrusted": "ConnectError",
            "without TLS": "RemoteProtocolError",
            "the commands' port": "closed",
        }
        entries = fleet.json("audit", "show")["entries"]
        assert {e["source"].split()[0] for e in entries if e["what"].startswith("POST /v1/session")} == {CALLS}
