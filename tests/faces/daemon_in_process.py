"""A whole daemon in a thread, over devices in memory, and the command line as `main` runs it."""

from __future__ import annotations

import asyncio
import os
import re
import sys
import threading
from collections.abc import AsyncIterator, Coroutine, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import pytest
import typer.main
from fastapi import FastAPI

from fleet.drivers.memory import MemoryDevice
from fleet.drivers.protocol import Event, LinkUp
from fleet.faces.api.app import build_api
from fleet.faces.api.routes_upkeep import add_upkeep
from fleet.faces.api.serving import serve
from fleet.faces.cli import main
from fleet.faces.cli.configuration import settle
from fleet.faces.cli.daemon_config import DaemonConfig, RunDaemon
from fleet.faces.cli.home import open_home
from fleet.faces.cli.main import build_cli
from fleet.faces.metrics.meters import Meters
from fleet.faces.proof.keys import signing_key
from fleet.services.receivers import Receiver
from fleet.services.snapshots_sealed import Proof
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.sql import open_store
from fleet.tasks import end
from tests.empty_store import url_of_store
from tests.services.small_venue import FILES, NOON, Ids, StagingDriver, boxes, until

T = TypeVar("T")

BROKER, ROOT = "mqtt://127.0.0.1:1883", "loudspeakers/v1"


class Linked(StagingDriver):
    """The devices, told of as by a driver with a link."""

    async def events(self) -> AsyncIterator[Event]:
        yield LinkUp()
        async for event in super().events():
            yield event


@dataclass
class RunningDaemon:
    """A daemon that runs: its folder, and its insides to set a scene with."""

    home: Path
    driver: Linked
    services: Services
    loop: asyncio.AbstractEventLoop
    api: FastAPI

    def do(self, work: Coroutine[Any, Any, T]) -> T:
        """Do something inside of the daemon."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(30)

    def touched(self, device: str) -> None:
        """Let a device tell what a person did to it, and the inventory hear that."""

        async def tell() -> None:
            self.driver.touched(device)
            await until(heard)

        async def heard() -> bool:
            return self.driver._queue.empty()

        self.do(tell())


@contextmanager
def a_daemon(
    home: Path,
    devices: Iterable[MemoryDevice] | None = None,
    *,
    loaded: bool = True,
    receivers: Sequence[Receiver] = (),
    now: datetime = NOON,
    first_id: int = 1,
) -> Iterator[RunningDaemon]:
    """Run a daemon for the length of the block."""
    started = threading.Event()
    held: list[RunningDaemon] = []
    stop = asyncio.Event()

    async def live() -> None:
        driver = Linked(boxes() if devices is None else devices)

        async def heard() -> bool:
            return not services.inventory.link_trouble and driver._queue.empty()

        with open_home(home) as folder:
            async with open_store(url_of_store(home / "fleet.db")) as store:
                services = wire(
                    store=store,
                    driver=driver,
                    clock=lambda: now,
                    new_id=Ids(first_id),
                    receivers=receivers,
                    proof=Proof(signer=signing_key(home)),
                )
                await services.inventory.open()
                await services.desired.open()
                if loaded:
                    await services.desired.load(FILES, "ines")
                tending = asyncio.create_task(Tending(services).run())
                api = build_api(services, folder.token, broker=BROKER, root=ROOT)
                add_upkeep(api, services, Meters(), home=home, settings=settle(home, {}), open_metrics=False)
                async with serve(api) as url:
                    await until(heard)
                    folder.publish(url)
                    held.append(RunningDaemon(home, driver, services, asyncio.get_running_loop(), api))
                    started.set()
                    await stop.wait()
                    await services.close()
                await end(tending)

    thread = threading.Thread(target=lambda: asyncio.run(live()), name="daemon")
    thread.start()
    try:
        assert started.wait(30)
        yield held[0]
    finally:
        if held:
            held[0].loop.call_soon_threadsafe(stop.set)
        thread.join(30)
        assert not thread.is_alive()


@dataclass(frozen=True)
class Said:
    """What a command said, and its exit code."""

    code: int
    out: str
    err: str


class CommandLine:
    """Runs commands as a person of this home would, in a terminal of 80 columns, and keeps what they say."""

    def __init__(self, home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch = monkeypatch
        self._capsys = capsys
        for name, value in {"FLEET_HOME": str(home), "COLUMNS": "80", "LOGNAME": "ines", "NO_COLOR": "1"}.items():
            monkeypatch.setenv(name, value)
        monkeypatch.delenv("FLEET_DEBUG", raising=False)
        monkeypatch.setattr(main, "build_cli", _built)

    def __call__(self, *arguments: str) -> Said:
        self._monkeypatch.setattr(sys, "argv", ["fleet", *arguments])
        self._capsys.readouterr()
        code = 0
        try:
            main.run_cli(_no_daemon)
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(bool(end.code))
        said = self._capsys.readouterr()
        return Said(code, said.out, said.err)


@cache
def _built(run_daemon: RunDaemon) -> Any:
    """The command line, put together once: that takes longer than most commands."""
    return typer.main.get_command(build_cli(run_daemon))


def _no_daemon(_config: DaemonConfig) -> None:
    raise AssertionError("these tests run no daemon of that kind")


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


GOLDEN = Path(__file__).parent / "golden"


def golden(name: str, said: Said, *arguments: str) -> list[str]:
    """Where a command's output is not as the golden file has it; `FLEET_GOLDEN=write` writes the file anew.

    Hashes are left out, since they follow from everything else.
    """
    text = f"$ fleet {' '.join(arguments)}\n{said.out}"
    text += f"--- on stderr\n{said.err}" if said.err else ""
    text = f"{re.sub(r'[0-9a-f]{64}|(?<=plan )[0-9a-f]{12}', 'HASH', text)}--- exit code {said.code}\n"
    file = GOLDEN / f"{name}.txt"
    if os.environ.get("FLEET_GOLDEN") == "write":
        file.write_text(text, encoding="utf-8")
    wide = [f"{name}: wider than 80 columns: {line}" for line in said.out.splitlines() if len(line) > 80]
    expected = file.read_text(encoding="utf-8") if file.exists() else "(no such file)\n"
    return wide + ([] if text == expected else [f"{file.name} should be:\n{text}"])
