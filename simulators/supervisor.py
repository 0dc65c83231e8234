"""Keeps the device processes: starts them, cuts and returns their power, and passes orders on to them."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field

from .abilities import Json
from .faults import Faults
from .forker import Forker
from .population import Simulated
from .topics import Broker

COMPLAIN_AFTER_S = 30.0


@dataclass(slots=True)
class Worker:
    """The process of one crew, while it runs."""

    pid: int
    line: asyncio.StreamWriter
    gone: asyncio.Event = field(default_factory=asyncio.Event)
    orders: dict[int, asyncio.Future[Json]] = field(default_factory=dict)


class Supervisor:
    """All simulated devices of one run; `serve` answers its workers and whoever gives orders."""

    def __init__(
        self, crews: Sequence[Sequence[Simulated]], faults: dict[str, Faults], forker: Forker, broker: Broker
    ) -> None:
        self._crews = crews
        self._crew_of = {item.identity.device: number for number, crew in enumerate(crews) for item in crew}
        self._faults = faults
        self._forker = forker
        self._broker = broker
        self._workers: dict[int, Worker] = {}
        self._connected: set[str] = set()
        self._power = [asyncio.Lock() for _ in crews]
        self._news = asyncio.Condition()
        self._orders = 0

    async def power_up(self) -> None:
        """Start every crew, and wait for all devices that can connect."""
        for number in range(len(self._crews)):
            self._forker.start(number)
        await self._until_connected(self._crew_of)

    def move_to(self, broker: Broker) -> None:
        """Name another broker to all devices; those that are connected stay until they lose their connection."""
        self._broker = broker
        for worker in self._workers.values():
            _write(worker.line, {"broker": asdict(broker)})

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection to the control socket: a worker, or a client with orders."""
        # Cancelled only as the loop ends; asyncio's streams of Python 3.11 would report that as an error.
        with suppress(ConnectionError, asyncio.CancelledError):
            while line := await reader.readline():
                message = json.loads(line)
                if "worker" in message:
                    await self._attend(message, reader, writer)
                else:
                    _write(writer, await self._answer(message))
        writer.close()

    async def _attend(self, hello: Json, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        number = hello["worker"]
        names = [item.identity.device for item in self._crews[number]]
        worker = self._workers[number] = Worker(hello["pid"], writer)
        async with self._news:
            self._news.notify_all()
        faults = {name: self._faults[name].listed() for name in names}
        _write(writer, {"broker": asdict(self._broker), "faults": faults})
        with suppress(ConnectionError):
            while line := await reader.readline():
                message = json.loads(line)
                if "connected" in message:
                    await self._note_connected(message["connected"])
                elif "done" in message and (waiting := worker.orders.pop(message["done"], None)):
                    waiting.set_result(message)
        del self._workers[number]
        self._connected.difference_update(names)
        for waiting in worker.orders.values():
            waiting.set_result({"error": "the device has lost its power"})
        worker.gone.set()

    async def _note_connected(self, name: str) -> None:
        async with self._news:
            self._connected.add(name)
            self._news.notify_all()

    async def _answer(self, order: Json) -> Json:
        try:
            return {"ok": True, **await self._do(order)}
        except (ValueError, KeyError, TypeError) as error:
            return {"ok": False, "error": str(error) if isinstance(error, ValueError) else f"malformed: {error!r}"}

    async def _do(self, order: Json) -> Json:
        match order["do"]:
            case "list":
                return {"devices": {name: self._listed(name) for name in self._crew_of}}
            case "power_cut":
                await self._cut_power(order["devices"], float(order.get("off_s", 0.5)))
            case "press":
                await self._pass_on(order["device"], {"press": order["press"]})
            case "fault":
                self._known_faults(order["device"]).set(order["fault"])
                if self._crew_of[order["device"]] in self._workers:
                    await self._pass_on(order["device"], {"fault": order["fault"]})
            case unknown:
                raise ValueError(f"there is no order {unknown!r}")
        return {}

    def _listed(self, name: str) -> Json:
        worker = self._workers.get(self._crew_of[name])
        return {
            "pid": worker.pid if worker else None,
            "connected": name in self._connected,
            "faults": self._faults[name].listed(),
        }

    async def _cut_power(self, names: Sequence[str], off_s: float) -> None:
        for name in names:
            self._known_faults(name)
        await asyncio.gather(*(self._cut_one(name, off_s) for name in dict.fromkeys(names)))

    async def _cut_one(self, name: str, off_s: float) -> None:
        number = self._crew_of[name]
        async with self._power[number]:
            worker = self._workers.get(number)
            if worker and len(self._crews[number]) > 1:
                # Several devices share the process, so this one loses its power inside it.
                self._connected.discard(name)
                await self._pass_on(name, {"power_cut": off_s})
            else:
                if worker:
                    os.kill(worker.pid, signal.SIGKILL)
                    await worker.gone.wait()
                await asyncio.sleep(off_s)
                self._forker.start(number)
            await self._until_connected([name])

    async def _pass_on(self, name: str, order: Json) -> None:
        self._known_faults(name)
        worker = self._workers.get(self._crew_of[name])
        if worker is None:
            raise ValueError(f"{name} has no power; power-cut brings it back")
        self._orders += 1
        answer = worker.orders[self._orders] = asyncio.get_running_loop().create_future()
        _write(worker.line, {"order": self._orders, "device": name, **order})
        done = await answer
        if "error" in done:
            raise ValueError(f"{name}: {done['error']}")

    def _known_faults(self, name: str) -> Faults:
        if name not in self._faults:
            raise ValueError(f"there is no simulated device {name!r}")
        return self._faults[name]

    async def _until_connected(self, names: Collection[str]) -> None:
        expected = {name for name in names if "offline" not in self._faults[name]}
        crews = {self._crew_of[name] for name in names}
        async with self._news:
            while not (expected <= self._connected and crews <= self._workers.keys()):
                try:
                    async with asyncio.timeout(COMPLAIN_AFTER_S):
                        await self._news.wait()
                except TimeoutError:
                    missing = ", ".join(sorted(expected - self._connected))
                    sys.stderr.write(
                        f"still without connection to {self._broker.host}:{self._broker.port}: {missing}\n"
                    )


def _write(line: asyncio.StreamWriter, message: Json) -> None:
    line.write(json.dumps(message).encode() + b"\n")
