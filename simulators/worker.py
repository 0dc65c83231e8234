"""A process of simulated devices: takes orders from the supervisor, and brings a device back after each reboot."""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from .abilities import Json
from .device import Device
from .faults import Faults
from .link import Link
from .memory import Memory
from .panel import press
from .population import Simulated, replacement
from .topics import Broker

BOOT_S = 0.2
_SHOWN_AT_BOOT = ("replaced", "firmware")
_SHOWN_AT_CONNECT = ("offline", "foreign_serial", "garbage")


class Box:
    """One simulated device over all its boots."""

    def __init__(self, simulated: Simulated, folder: Path, faults: Faults) -> None:
        self.name = simulated.identity.device
        self.faults = faults
        self._simulated = simulated
        self._folder = folder
        self._device: Device | None = None
        self._link: Link | None = None
        self._off_s = BOOT_S

    async def run(self, broker: Callable[[], Broker], connected: Callable[[], None]) -> None:
        """Boot, live, reboot, for ever."""
        while True:
            simulated, memory = self._box_there()
            kept = memory.load() or simulated.kept
            boot_id = f"b-{secrets.token_hex(6)}"
            device = Device(simulated.model, simulated.identity, kept, boot_id, self.faults)
            # In a thread, since a process of many devices would stand still for each disk write in turn.
            await asyncio.to_thread(memory.save, device.running.kept)
            self._device = device
            self._link = Link(self.name, device, memory, self.faults, time.monotonic)
            await self._link.run(broker, connected)
            self._device = self._link = None
            await asyncio.sleep(self._off_s)
            self._off_s = BOOT_S

    def obey(self, order: Json) -> None:
        """Do one order: `press`, `fault`, or `power_cut` with the seconds without power; ValueError says why not."""
        before = self.faults.listed()
        if "fault" in order:
            self.faults.set(order["fault"])
        elif self._device is None:
            raise ValueError("it has no power at the moment")
        if self._device is None or self._link is None:
            return
        if "press" in order:
            press(self._device.running, order["press"])
        if "power_cut" in order:
            self._off_s = order["power_cut"]
            self._device.reboots = "at_once"
        if "fault" in order and "stuck_alarm_mute" in self.faults:
            press(self._device.running, {"mute": True, "cause": "alarm"})
        changed = {*before} ^ {*self.faults.listed()}
        if any(fault.startswith(_SHOWN_AT_BOOT) for fault in changed):
            self._device.reboots = "at_once"
        self._link.look()
        if any(fault.startswith(_SHOWN_AT_CONNECT) for fault in changed):
            self._link.cut()

    def _box_there(self) -> tuple[Simulated, Memory]:
        """Which box stands there now, and its memory: its own, or that which replaced it."""
        serial = self.faults.argument("replaced")
        if serial is None:
            return self._simulated, Memory(self._folder / f"{self.name}.json")
        return replacement(self._simulated, serial), Memory(self._folder / f"{self.name}.{serial}.json")


async def serve(control: Path, number: int, crew: Sequence[Simulated]) -> None:
    """Simulate the crew until the supervisor at `control` goes away, which is the power going off."""
    reader, writer = await asyncio.open_unix_connection(control)

    def tell(message: Json) -> None:
        writer.write(json.dumps(message).encode() + b"\n")

    tell({"worker": number, "pid": os.getpid()})
    start = json.loads(await reader.readline())
    where = [Broker.from_json(start["broker"])]
    boxes = {}
    for simulated in crew:
        name = simulated.identity.device
        boxes[name] = Box(simulated, control.parent, Faults(start["faults"].get(name)))
    running = [
        asyncio.create_task(box.run(lambda: where[0], partial(tell, {"connected": box.name})), name=box.name)
        for box in boxes.values()
    ]
    for task in running:
        task.add_done_callback(_end_of_box)
    while line := await reader.readline():
        order = json.loads(line)
        if "broker" in order:
            where[0] = Broker.from_json(order["broker"])
            continue
        try:
            boxes[order["device"]].obey(order)
        except (ValueError, KeyError, TypeError) as error:
            tell({"done": order["order"], "error": str(error) or repr(error)})
        else:
            tell({"done": order["order"]})
    # Without a farewell to the broker: that is how power goes off.
    os._exit(0)


def _end_of_box(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and (error := task.exception()):
        sys.stderr.write(f"simulated device {task.get_name()} failed: {error!r}\n")
        os._exit(1)
