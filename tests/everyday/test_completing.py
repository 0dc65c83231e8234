"""What a shell completes: names that the running daemon knows, and nothing else, whatever is wrong."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon

SHELL = "import sys; from fleet.app import main; sys.argv = ['fleet']; main()"


def asked(typed: str) -> dict[str, str]:
    """The line with the cursor at its end, as bash passes it."""
    number = len(typed.split(" ")) - 1
    return {"_FLEET_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(number)}


def completed(home: Path, typed: str) -> list[str]:
    """What bash is told, by a process as bash starts it."""
    done = subprocess.run(
        [sys.executable, "-c", SHELL],
        env={**os.environ, **asked(typed), "FLEET_HOME": str(home)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return [line for line in done.stdout.splitlines() if line]


@pytest.fixture
def changed(daemon: RunningDaemon, fleet: CommandLine) -> RunningDaemon:
    """A daemon with a change and a snapshot."""
    assert fleet("apply", "foyer", "--yes").code == 0
    assert fleet("snapshot", "take").code == 0
    return daemon


@pytest.fixture
def completed_here(fleet: CommandLine, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], list[str]]:
    """The same in this process, which is quicker."""

    def complete(typed: str) -> list[str]:
        for name, value in asked(typed).items():
            monkeypatch.setenv(name, value)
        said = fleet()
        assert said.err == ""
        return [line for line in said.out.splitlines() if line]

    return complete


def test_names_of_the_venue(changed: RunningDaemon, completed_here: Callable[[str], list[str]]) -> None:
    found = {
        typed: completed_here(typed)
        for typed in (
            *("fleet diff ", "fleet apply w", "fleet apply weir-hall --group ", "fleet apply foyer --group "),
            *("fleet apply foyer --position d", "fleet apply weir-hall --without main-", "fleet apply foyer --also w"),
            *("fleet devices box-", "fleet accept box-4", "fleet rollback ", "fleet changes c", "fleet snapshot show "),
            *("fleet log --change ", "fleet apply zz"),
        )
    }
    assert found == {
        "fleet diff ": ["foyer", "weir-hall"],
        "fleet apply w": ["weir-hall"],
        "fleet apply weir-hall --group ": ["fills", "mains"],
        "fleet apply foyer --group ": [],
        "fleet apply foyer --position d": ["desk", "door"],
        "fleet apply weir-hall --without main-": ["main-left", "main-right"],
        "fleet apply foyer --also w": ["weir-hall"],
        "fleet devices box-": ["box-1", "box-2", "box-3", "box-4", "box-5", "box-9"],
        "fleet accept box-4": ["box-4"],
        "fleet rollback ": ["c-0001"],
        "fleet changes c": ["c-0001"],
        "fleet snapshot show ": ["s-0002"],
        "fleet log --change ": ["c-0001"],
        "fleet apply zz": [],
    }


def test_another_home_on_the_line_counts(changed: RunningDaemon, tmp_path: Path) -> None:
    assert completed(tmp_path / "none", f"fleet diff --home {changed.home} f") == ["foyer"]


def test_without_a_daemon_it_says_nothing(tmp_path: Path) -> None:
    assert completed(tmp_path / "none", "fleet diff ") == []


def left_by_a_daemon(home: Path, port: int) -> None:
    """What a daemon leaves for the commands."""
    home.mkdir()
    (home / "daemon.json").write_text(f'{{"url": "http://127.0.0.1:{port}", "pid": 1}}', encoding="utf-8")
    (home / "token").write_text("x", encoding="utf-8")


def test_a_daemon_that_does_not_answer_is_not_waited_for(
    home: Path, completed_here: Callable[[str], list[str]]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        left_by_a_daemon(home, silent.getsockname()[1])
        assert completed_here("fleet diff ") == []


@pytest.mark.parametrize("body", ["[]", "{}", '{"rooms": 5}', "no json"])
def test_nonsense_is_passed_over(body: str, home: Path, completed_here: Callable[[str], list[str]]) -> None:
    import threading
    from http.server import BaseHTTPRequestHandler, HTTPServer

    asked_for: list[str] = []

    class Nonsense(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked_for.append(self.path)
            self.send_response(200)
            self.end_headers()
            self.wfile.write(body.encode())

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Nonsense)
    server.timeout = 10  # only there so that a failure ends
    thread = threading.Thread(target=server.handle_request)
    thread.start()
    try:
        left_by_a_daemon(home, server.server_port)
        assert completed_here("fleet diff ") == []
    finally:
        thread.join()
        server.server_close()
    assert len(asked_for) == 1, "the nonsense was never asked for"
