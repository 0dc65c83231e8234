"""`fleet watch`: a screen on a terminal, lines in a pipe, documents; it says when the daemon is gone and comes back."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import fastapi.routing
import pytest

from fleet.drivers.protocol import WentOffline
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.live_screen import screen
from fleet.faces.cli.live_view import View, line_of
from fleet.model.difference import Grade
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon

Json = dict[str, Any]
REPOSITORY = Path(__file__).parents[2]
PATIENCE_S = 30.0


class Watching:
    """A running `fleet watch`, and what it said so far."""

    def __init__(self, process: subprocess.Popen[bytes], out: int) -> None:
        self.process = process
        self.said = ""
        self._out = out

    def until(self, words: str, *, again: bool = False) -> str:
        """Wait until it says this (once more)."""
        return self.when(lambda said: words in said, words, again=again)

    def when(self, right: Callable[[str], bool], what: str, *, again: bool = False) -> str:
        """Wait until what it said is right."""
        self.said = "" if again else self.said
        deadline = time.monotonic() + PATIENCE_S
        while not right(self.said):
            assert time.monotonic() < deadline, f"waited in vain for {what!r}: {self.said!r}"
            assert self.process.poll() is None, self.said
            self._read(0.1)
        return self.said

    def end(self) -> int:
        """Ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE_S)

    def _read(self, wait_s: float) -> None:
        if select.select([self._out], [], [], wait_s)[0]:
            self.said += os.read(self._out, 65_536).decode()


@contextmanager
def watching(home: Path, *words: str, rows: int = 0) -> Iterator[Watching]:
    """`fleet watch` in a pipe, or on a terminal of so many rows; what goes to stderr is read as well."""
    if rows:
        out, inner = pty.openpty()
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", rows, 90, 0, 0))
    else:
        out, inner = os.pipe()
    own = {n: v for n, v in os.environ.items() if n not in {"COLUMNS", "LINES"}}
    process = subprocess.Popen(
        [sys.executable, "-m", "fleet.app", "watch", *words, "--home", str(home)],
        stdout=inner,
        stderr=inner,
        env={**own, "PYTHONPATH": str(REPOSITORY), "TERM": "xterm"},
        start_new_session=True,
    )
    os.close(inner)
    try:
        yield Watching(process, out)
    finally:
        process.kill()
        process.wait()
        os.close(out)


def give(daemon: RunningDaemon, words: str, room: str = "weir-hall") -> None:
    notices = daemon.services.notices
    about = replace(notices.about("drift", words, room=room), grade=Grade.AUDIBLE, way_out="fleet recall weir-hall")
    daemon.do(notices.give(about))


async def heard(daemon: RunningDaemon, device: str) -> None:
    daemon.services.inventory.hear(WentOffline(device=device))


def test_a_pipe_gets_a_line_for_each_thing(daemon: RunningDaemon) -> None:
    with watching(daemon.home) as watch:
        watch.until("weir-hall: ")
        watch.until("connected; Ctrl-C ends\n")
        give(daemon, "main-left is 3 dB louder than wanted")
        said = watch.until("main-left is 3 dB louder than wanted. Way out: `fleet recall weir-hall`\n")
        assert re.search(r"^2031-05-17 14:00:00 weir-hall: main-left is 3 dB", said, re.MULTILINE), (
            "on the venue's clock"
        )
        daemon.do(heard(daemon, "box-4"))
        watch.until("box-4: bound -> missing\n")
        assert "\x1b" not in watch.said
        assert watch.end() == 0


def test_silence_ends_nothing(daemon: RunningDaemon, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fastapi.routing, "_PING_INTERVAL", 0.05)
    with watching(daemon.home) as watch:
        watch.until("weir-hall: ")
        time.sleep(0.5)
        give(daemon, "after a silence")
        assert "not connected" not in watch.until("after a silence")


def test_one_room_is_watched_alone(daemon: RunningDaemon) -> None:
    with watching(daemon.home, "foyer") as watch:
        watch.until("foyer: ")
        give(daemon, "not of this room")
        give(daemon, "of this room", room="foyer")
        said = watch.until("of this room. Way out: `fleet")
        assert "weir-hall: " not in said
        assert "not of this room" not in said


def test_documents_one_a_line(daemon: RunningDaemon) -> None:
    with watching(daemon.home, "--json") as watch:
        watch.until('"room": "weir-hall"')
        give(daemon, "a notice")
        watch.until("a notice")
        daemon.do(heard(daemon, "box-4"))
        said = watch.when(lambda said: '"event": "device"' in said and said.endswith("\n"), "a device")
    documents = [json.loads(line) for line in said.splitlines()]
    assert all(d["format"] == "fleet-event/1" for d in documents)


def test_documents_say_how_the_rooms_are_first(daemon: RunningDaemon) -> None:
    with watching(daemon.home, "--json") as watch:
        said = watch.when(lambda said: said.count("\n") >= 3, "three lines")
    documents = [json.loads(line) for line in said.splitlines()[:3]]
    assert [(d["event"], d.get("room", {}).get("room")) for d in documents] == [
        ("begin", None),
        ("room", "foyer"),
        ("room", "weir-hall"),
    ]


def test_a_terminal_gets_a_screen_that_is_drawn_anew(daemon: RunningDaemon) -> None:
    with watching(daemon.home, rows=24) as watch:
        watch.until("ROOM")
        give(daemon, "main-left is 3 dB louder")
        said = watch.until("main-left is 3 dB louder")
        last = said.rpartition("\x1b[H\x1b[2J\x1b[3J")[2]
        assert "all rooms; Ctrl-C ends" in last
        assert "weir-hall" in last
        assert len(last.splitlines()) <= 24
        assert watch.end() == 0


def test_a_daemon_that_is_restarted_is_found_again(home: Path) -> None:
    with a_daemon(home):
        watch_context = watching(home)
        watch = watch_context.__enter__()
        watch.until("connected; Ctrl-C ends")
    try:
        watch.until("not connected: the daemon has ended; trying again")
        with a_daemon(home, loaded=False) as again:
            again.do(again.services.desired.open())
            watch.until("connected; what happened in between is not known")
            again.do(again.services.notices.give(replace(again.services.notices.about("power", "back"), id="n-0099")))
            watch.until("back")
    finally:
        watch_context.__exit__(None, None, None)


def test_a_screen_says_that_it_is_old(home: Path) -> None:
    with a_daemon(home):
        watch_context = watching(home, rows=24)
        watch = watch_context.__enter__()
        watch.until("ROOM")
    try:
        watch.until("NOT CONNECTED: what follows was so at")
        with a_daemon(home, loaded=False) as again:
            again.do(again.services.desired.open())
            watch.until("all rooms; Ctrl-C ends", again=True)
    finally:
        watch_context.__exit__(None, None, None)


def test_a_room_that_is_none_and_a_daemon_that_is_none(
    home: Path, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = fleet("watch")
    assert (said.code, "no daemon is running" in said.err) == (2, True)
    with a_daemon(home):
        said = fleet("watch", "cellar")
        assert (said.code, said.out) == (2, "")
        assert "there is no room 'cellar'" in said.err


NOW = datetime(2031, 5, 17, 12, 0, 30, tzinfo=UTC)


def notice(number: int, words: str = "words", room: str = "") -> Json:
    texts = {"words": words, "room": room, "cause": "", "way_out": ""}
    return {"event": "notice", "notice": {"id": f"n-{number}", "at": "2031-05-17T12:00:00Z", **texts}}


def room(name: str, words: str = "as it should be") -> Json:
    return {"event": "room", "room": {"room": name, "name": name, "same": words == "as it should be", "words": words}}


def drift(position: str, what: str = "drifted") -> Json:
    episode = {
        "kind": "drift",
        "state": "open",
        "since": "2031-05-17T11:42:00Z",
        "rooms": ["hall"],
        "positions": [position],
        "device": "box-1",
        "words": "3 dB louder than wanted",
        "cause": "the front panel",
    }
    return {"event": "drift", "what": what, "drift": episode}


def view(*events: Json, rooms: int = 0) -> View:
    made = View(clock=Clock(zone=ZoneInfo("Europe/Berlin")))
    for number in range(rooms):
        made.take(room(f"room-{number:03d}"), NOW)
    for event in events:
        made.take(event, NOW)
    return made


def test_rooms_that_are_not_right_come_first() -> None:
    lines = screen(view(room("a"), room("b", "1 position differs")), NOW, 24)
    assert [line.split()[0] for line in lines[2:]] == ["b", "a"]


def test_drift_has_its_beginning_and_its_cause_until_it_is_over() -> None:
    seen = view(drift("hall/left"))
    (line,) = [line for line in screen(seen, NOW, 24) if "hall/left" in line]
    assert " ".join(line.split()) == "13:42 hall/left 3 dB louder than wanted; probably the front panel"
    seen.take(drift("hall/left", "over"), NOW)
    assert not any("hall/left" in line for line in screen(seen, NOW, 24))


@pytest.mark.parametrize("rows", [6, 10, 24, 50])
def test_a_screen_is_never_longer_than_the_terminal(rows: int) -> None:
    full = view(*[notice(n) for n in range(60)], *[drift(f"hall/{n}") for n in range(60)], rooms=200)
    lines = screen(full, NOW, rows)
    assert len(lines) <= rows
    assert any("lines more" in line for line in lines)


def test_text_of_others_cannot_write_on_the_screen() -> None:
    lines = screen(view(notice(1, "a\x1b[2Jb\nc")), NOW, 24)
    assert not any(c in line for line in lines for c in "\x1b\n")


def test_a_notice_that_is_told_twice_is_shown_once() -> None:
    seen = view(notice(1))
    assert not seen.take(notice(1), NOW)
    assert len(seen.notices) == 1


def test_a_lost_connection_is_said_before_everything_else_and_ends_with_it() -> None:
    seen = view(room("a"), {"event": "lost", "words": "the daemon has ended"})
    assert "NOT CONNECTED: what follows was so at 14:00:30 (the daemon has ended)" in screen(seen, NOW, 24)[0]
    seen.take({"event": "gap"}, NOW)
    assert "NOT CONNECTED" not in screen(seen, NOW, 24)[0]


def test_events_that_nobody_knows_yet_end_nothing() -> None:
    assert line_of({"event": "new"}) == "new"
