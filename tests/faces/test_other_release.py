"""A command and a daemon of another release: told in words and with exit code 2, or understood where that is so."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest

from fleet import __version__
from fleet.faces.releases import DOCUMENTS, NUMBER, RELEASE
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said

MAJOR, MINOR = __version__.split(".")[:2]
PATCH = f"{MAJOR}.{MINOR}.999"
ROOMS = {"format": "fleet-rooms/1", "rooms": []}
LEVELS = {"format": "fleet-levels/1"}
Answers = Mapping[str, tuple[int, Mapping[str, Any]]]


@contextmanager
def answering(home: Path, headers: Mapping[str, str], answers: Answers) -> Iterator[None]:
    """Stands for a daemon of another release: what it answers by path, and else that nothing goes by this name."""
    nothing = (404, {"title": "NotFound", "detail": "nothing goes by this name", "status": 404})

    class Asked(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            status, document = answers.get(self.path.partition("?")[0].removeprefix("/v1"), nothing)
            body = json.dumps(document).encode()
            self.send_response(status)
            for name, value in {**headers, "Content-Length": str(len(body))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        do_POST = do_GET  # noqa: N815  # the name is the server's

        def log_message(self, format: str, *arguments: Any) -> None:  # noqa: A002  # as above
            pass

    home.mkdir(mode=0o700, exist_ok=True)
    with ThreadingHTTPServer(("127.0.0.1", 0), Asked) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        for name, text in {
            "daemon.json": json.dumps({"url": f"http://127.0.0.1:{server.server_port}", "pid": 1}),
            "token": "x",
        }.items():
            (home / name).write_text(text, encoding="utf-8")
            (home / name).chmod(0o600)
        try:
            yield
        finally:
            server.shutdown()
            thread.join()


def of_release(release: str, number: str = NUMBER) -> dict[str, str]:
    return {RELEASE: release, DOCUMENTS: number}


def told(said: Said) -> str:
    assert (said.code, said.out) == (2, ""), said
    assert "a fault of this program" not in said.err
    return " ".join(said.err.split())


@pytest.mark.parametrize(
    ("headers", "words"),
    [
        ({}, "the daemon is of an older release, which does not tell its number, and this command is"),
        (of_release("0.0.9"), "the daemon is release 0.0.9 and this command"),
        (
            of_release(f"{MAJOR}.{int(MINOR) + 1}.0"),
            f"the daemon is release {MAJOR}.{int(MINOR) + 1}.0 and this command",
        ),
        (of_release(__version__, "0"), f"the daemon is release {__version__} and this command"),
        (of_release("\x1b[31m" + "9" * 500), "and this command"),
    ],
    ids=["before releases were told", "older", "newer", "other documents", "hostile"],
)
@pytest.mark.parametrize("command", [("rooms",), ("apply", "weir-hall", "--yes"), ("watch",)], ids=lambda c: c[0])
def test_releases_that_do_not_go_together_are_told(
    command: tuple[str, ...], headers: Mapping[str, str], words: str, home: Path, fleet: CommandLine
) -> None:
    with answering(home, headers, {"/rooms": (200, ROOMS)}):
        said = told(fleet(*command))
    assert f"{words} {__version__}. Restart the daemon, or use the command of its release." in said
    assert "\x1b" not in said
    assert len(said) < 300


def test_a_patch_release_that_understands_is_no_matter(home: Path, fleet: CommandLine) -> None:
    with answering(home, of_release(PATCH), {"/rooms": (200, ROOMS)}):
        said = fleet("rooms", "--json")
    assert (said.code, said.err) == (0, ""), said
    assert json.loads(said.out) == ROOMS


@pytest.mark.parametrize("release", [PATCH, __version__], ids=["another patch", "the same, before an update"])
@pytest.mark.parametrize(
    "rooms",
    [{"format": "fleet-rooms/1"}, {"format": "fleet-rooms/1", "rooms": [{"room": "east"}]}],
    ids=["all", "part"],
)
def test_an_answer_that_lacks_something_is_told(
    rooms: Mapping[str, Any], release: str, home: Path, fleet: CommandLine
) -> None:
    with answering(home, of_release(release), {"/rooms": (200, rooms)}):
        said = told(fleet("rooms"))
    assert "fleet: the daemon's answer has no '" in said
    assert f"the daemon is release {release} and this command {__version__}. Restart the daemon" in said


def test_what_a_daemon_of_another_patch_does_not_know_is_told(home: Path, fleet: CommandLine) -> None:
    with answering(home, of_release(PATCH), {}):
        said = told(fleet("rooms"))
    assert said == (
        f"fleet: nothing goes by this name. Besides, the daemon is release {PATCH} and this command {__version__}. "
        "Restart the daemon, or use the command of its release."
    )
    with answering(home, of_release(__version__), {}):
        assert told(fleet("rooms")) == "fleet: nothing goes by this name"


@pytest.mark.parametrize(("release", "state"), [("0.0.9", "trouble"), (PATCH, "warning")])
def test_self_check_goes_on_and_tells_it(
    release: str, state: str, home: Path, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLEET_INTERFACES", "127.0.0.1")
    answers: Answers = {
        "/status": (
            200,
            {
                "version": release,
                "pid": 1,
                "link_trouble": "",
                "broker": "mqtt://127.0.0.1:9",
                "inventory": {"known": 1, "most": 9, "passed_over": 0},
            },
        ),
        "/devices": (200, {"devices": [], "counts": {"found": 1}, "next": None}),
        "/receivers": (200, {"receivers": []}),
        "/session": (200, {"time_zone": "UTC"}),
        "/config": (200, {"settings": []}),
    }
    with answering(home, of_release(release), answers):
        said = fleet("self-check", "--json")
    found = {row["check"]: row for row in json.loads(said.out)["checks"]}
    assert found["daemon"]["state"] == state, found["daemon"]
    assert release in found["daemon"]["words"]
    assert __version__ in found["daemon"]["words"]
    assert found["daemon"]["remedy"].startswith("Restart the daemon")
    assert "home" in found


def test_every_answer_of_a_daemon_tells_its_release(daemon: RunningDaemon) -> None:
    url = json.loads((daemon.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    for path in ("/v1/status", "/v1/nothing", "/v1/session", "/", "/v1/rooms"):
        answer = httpx.get(url + path)
        assert (answer.headers[RELEASE], answer.headers[DOCUMENTS]) == (__version__, NUMBER), path
