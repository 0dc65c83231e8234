"""The stream of events, by real HTTP: in order, resumed, gaps told, bounded for slow readers, ended with the daemon."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import fastapi.routing
import httpx
import pytest
from httpx_sse import connect_sse

from fleet.drivers.protocol import WentOffline
from fleet.faces.api.events import Event, Events
from fleet.faces.cli.client import find
from fleet.model.difference import Grade
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon

Json = dict[str, Any]
AT = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)


async def first(events: AsyncIterator[Event], count: int) -> list[tuple[str, str, Any]]:
    found = [await anext(events) for _ in range(count)]
    return [(e.kind, e.id.partition("-")[2], e.data.get("n")) for e in found]


def filled(count: int, most_kept: int = 10) -> Events:
    events = Events("00c0ffee", most_kept=most_kept)
    for number in range(1, count + 1):
        events.tell("notice", AT, {"n": number})
    return events


async def test_a_new_reader_begins_now() -> None:
    events = filled(3)
    reading = events.since(None)
    assert await first(reading, 1) == [("begin", "3", None)]
    events.tell("room", AT, {"n": 4})
    assert await first(reading, 1) == [("room", "4", 4)]


async def test_one_who_comes_back_goes_on() -> None:
    events = filled(5)
    assert await first(events.since("00c0ffee-3"), 3) == [("begin", "3", None), ("notice", "4", 4), ("notice", "5", 5)]


@pytest.mark.parametrize("last_id", ["deadbeef-3", "00c0ffee-99", "00c0ffee-x", "nonsense", ""])
async def test_what_another_life_told_is_a_gap(last_id: str) -> None:
    assert await first(filled(5).since(last_id), 1) == [("gap", "5", None)]


async def test_what_is_not_kept_any_more_is_a_gap_and_what_follows_is_told() -> None:
    events = filled(25)
    reading = events.since("00c0ffee-3")
    assert await first(reading, 2) == [("begin", "3", None), ("gap", "25", None)]
    events.tell("notice", AT, {"n": 26})
    assert await first(reading, 1) == [("notice", "26", 26)]
    assert await first(events.since("00c0ffee-16"), 2) == [("begin", "16", None), ("notice", "17", 17)], "the oldest"


async def test_one_who_falls_behind_while_reading_is_told() -> None:
    events = filled(0)
    reading = events.since(None)
    assert await first(reading, 1) == [("begin", "0", None)]
    for number in range(1, 40):
        events.tell("notice", AT, {"n": number})
    assert await first(reading, 1) == [("gap", "39", None)]


async def test_closing_ends_who_waits_and_who_comes_later() -> None:
    events = filled(1)
    waiting = asyncio.create_task(_all(events.since(None)))
    await asyncio.sleep(0)
    events.close()
    async with asyncio.timeout(5):
        assert [e.kind for e in await waiting] == ["begin"]
    assert [e.kind for e in await _all(events.since(None))] == ["begin"]


async def _all(events: AsyncIterator[Event]) -> list[Event]:
    return [event async for event in events]


@dataclass
class Reader:
    """A reader of the stream in a thread."""

    got: list[tuple[str, Json, str]]
    opened: threading.Event
    ended: threading.Event

    def until(self, kind: str, **members: object) -> Json:
        """Wait for an event whose document has these members."""
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            for name, document, _ in list(self.got):
                inner = document.get(kind, document)
                if name == kind and all(inner.get(n) == v for n, v in members.items()):
                    return document
            time.sleep(0.02)
        raise AssertionError(f"no {kind} with {members}: {self.got}")


@contextmanager
def reading(daemon: RunningDaemon, last_id: str = "") -> Iterator[Reader]:
    found = find(daemon.home)
    reader = Reader([], threading.Event(), threading.Event())
    client = httpx.Client(timeout=30, trust_env=False)

    def read() -> None:
        headers = {"Authorization": f"Bearer {found.token}"} | ({"Last-Event-ID": last_id} if last_id else {})
        try:
            with connect_sse(client, "GET", f"{found.url}/v1/events", headers=headers) as source:
                for event in source.iter_sse():
                    reader.got.append((event.event, event.json(), event.id))
                    reader.opened.set()
        except httpx.TransportError:
            pass
        reader.ended.set()

    thread = threading.Thread(target=read)
    thread.start()
    assert reader.opened.wait(20)
    try:
        yield reader
    finally:
        stop(daemon)
        thread.join(20)
        client.close()


def stop(daemon: RunningDaemon) -> None:
    """End all streams, as the end of the daemon does."""
    daemon.loop.call_soon_threadsafe(daemon.api.state.events.close)


def give(daemon: RunningDaemon, words: str, room: str = "weir-hall") -> str:
    notices = daemon.services.notices
    about = replace(notices.about("drift", words, room=room), grade=Grade.AUDIBLE, cause="the front panel")
    return daemon.do(notices.give(about)).id


def test_notices_changes_rooms_and_devices_are_told(daemon: RunningDaemon, fleet: CommandLine) -> None:
    with reading(daemon) as reader:
        assert reader.got[0][0] == "begin"
        given = give(daemon, "box-1 is louder")
        notice = reader.until("notice", id=given)["notice"]
        assert (notice["words"], notice["grade"], notice["cause"]) == ("box-1 is louder", "audible", "the front panel")
        assert fleet("apply", "foyer", "--yes", "--allow", "half-room").code == 0
        change = reader.until("change", state="kept")["change"]
        assert (change["kind"], change["rooms"], change["who"]) == ("apply", ["foyer"], "ines")
        reader.until("room", room="foyer", same=True)
        daemon.do(heard(daemon, WentOffline(device="box-4")))
        gone = reader.until("device", device="box-4", status="missing")["device"]
        assert (gone["was"], gone["rooms"]) == ("bound", ["foyer"])
        reader.until("room", room="foyer", same=False)
    ids = [event_id for _, _, event_id in reader.got]
    assert len(set(ids)) == len(ids)
    for name, document, _ in reader.got:
        assert (document["format"], document["event"]) == ("fleet-event/1", name)


async def heard(daemon: RunningDaemon, event: WentOffline) -> None:
    daemon.services.inventory.hear(event)


def test_what_was_missed_is_told_to_one_who_comes_back(home: Any) -> None:
    with a_daemon(home) as daemon:
        last_id = one_event(daemon, "")[1]
        missed = give(daemon, "while nobody looked")
        daemon.do(heard(daemon, WentOffline(device="box-5")))
        with reading(daemon, last_id) as reader:
            assert reader.got[0][0] == "begin"
            reader.until("notice", id=missed)
            reader.until("device", device="box-5", status="missing")


def test_another_life_is_a_gap(home: Any) -> None:
    with a_daemon(home) as daemon:
        last_id = one_event(daemon, "")[1]
    with a_daemon(home, loaded=False) as again:
        assert one_event(again, last_id)[0] == "gap"


def one_event(daemon: RunningDaemon, last_id: str) -> tuple[str, str]:
    """The first event on a connection, and its id."""
    found = find(daemon.home)
    headers = {"Authorization": f"Bearer {found.token}"} | ({"Last-Event-ID": last_id} if last_id else {})
    with (
        httpx.Client(timeout=30, trust_env=False) as client,
        connect_sse(client, "GET", f"{found.url}/v1/events", headers=headers) as source,
    ):
        event = next(source.iter_sse())
        return event.event, event.id


def test_the_stream_is_behind_the_token(daemon: RunningDaemon) -> None:
    answer = httpx.get(f"{find(daemon.home).url}/v1/events", trust_env=False)
    assert answer.status_code == 401


def test_silence_is_broken_by_comments(daemon: RunningDaemon, monkeypatch: pytest.MonkeyPatch) -> None:
    assert fastapi.routing._PING_INTERVAL == 15.0
    monkeypatch.setattr(fastapi.routing, "_PING_INTERVAL", 0.1)
    found = find(daemon.home)
    headers = {"Authorization": f"Bearer {found.token}"}
    with httpx.stream("GET", f"{found.url}/v1/events", headers=headers, timeout=30, trust_env=False) as answer:
        lines = answer.iter_lines()
        assert any(line == ": ping" for line in (next(lines) for _ in range(20)))


def test_a_reader_that_does_not_read_holds_up_nobody_and_is_told_of_the_gap(daemon: RunningDaemon) -> None:
    found = find(daemon.home)
    host, port = found.url.removeprefix("http://").split(":")
    with socket.socket() as slow, reading(daemon) as quick:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        slow.connect((host, int(port)))
        head = f"GET /v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {found.token}\r\n\r\n"
        slow.sendall(head.encode())
        assert b"begin" in until_said(slow, b"begin")

        async def much() -> None:
            for number in range(12_000):
                daemon.api.state.events.tell("link", AT, {"trouble": f"{number} {'x' * 2000}"})
                if number % 50 == 0:
                    await asyncio.sleep(0)

        daemon.do(much())
        marker = give(daemon, "after all that")
        quick.until("notice", id=marker)
        assert b"event: gap" in until_said(slow, marker.encode()), "and then it goes on with what happens"


def until_said(slow: socket.socket, words: bytes) -> bytes:
    slow.settimeout(20)
    said = b""
    while words not in said:
        part = slow.recv(65_536)
        assert part, "the stream ended"
        said += part
    return said


def test_it_ends_with_the_daemon(home: Any) -> None:
    with a_daemon(home) as daemon:
        found = find(daemon.home)
        ended = threading.Event()

        def read() -> None:
            with (
                httpx.Client(timeout=30, trust_env=False) as client,
                connect_sse(
                    client, "GET", f"{found.url}/v1/events", headers={"Authorization": f"Bearer {found.token}"}
                ) as source,
            ):
                for event in source.iter_sse():
                    assert json.loads(event.data)["event"] == "begin"
                    opened.set()
            ended.set()

        opened = threading.Event()
        thread = threading.Thread(target=read)
        thread.start()
        assert opened.wait(20)
    thread.join(20)
    assert ended.is_set(), "without an error"


def test_nobody_looks_where_nobody_reads(home: Any) -> None:
    with a_daemon(home) as daemon:
        with reading(daemon):
            assert "looking for the live view" in daemon.do(tasks())
        deadline = time.monotonic() + 20
        while "looking for the live view" in daemon.do(tasks()):
            assert time.monotonic() < deadline
            time.sleep(0.02)


async def tasks() -> set[str]:
    return {task.get_name() for task in asyncio.all_tasks()}
