"""The blind test of probable causes on running devices: injected over panels, contacts, power and raw MQTT.

One part does things to simulated devices on a real broker and keeps the truth aside; the MQTT driver reads the devices
before and after; the judge sees these two readings alone. FLEET_SEED plays other cases.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from random import Random
from typing import Any

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.protocol import Described
from fleet.model.description import Description
from fleet.model.state import Reported
from fleet.tasks import end
from simulators import control
from simulators.population import Simulated, at_random
from tests.brokers import LOOPBACK, embedded_broker
from tests.reconcile.cause_bench import Evidence, Truth, judged, shows
from tests.reconcile.cause_injection import FALSE_HINTS, INJECTED, Injection, Step, draw
from tests.reconcile.cause_table import SAME_EVIDENCE, counted, table
from tests.simulators.raw_wire import ROOT, Run, Wire, controller, simulators

Json = dict[str, Any]
SEED = int(os.environ.get("FLEET_SEED", "1"))
DEVICES = 60
LOCKED = 0.2
"""So many of the panels are locked."""
HINTS = ("told", "told", "none", "none", "false")


class Venue:
    """Running devices, another controller beside them, and the driver's readings."""

    def __init__(self, run: Run, wire: Wire, driver: MqttDriver) -> None:
        self._run = run
        self._wire = wire
        self._driver = driver
        self._descriptions: dict[str, Description] = {}
        self._open: dict[str, str] = {}

    async def listen(self) -> None:
        """Take descriptions as devices tell them, for ever."""
        async for event in self._driver.events():
            if isinstance(event, Described):
                self._descriptions[event.device] = event.description

    async def told(self, device: str) -> Json:
        """A device's state as the injecting part knows it."""
        return await self._wire.state(device)

    async def read(self, device: str) -> Reported:
        """What the driver reads, with the description that the device told last."""
        async with asyncio.timeout(30):
            while device not in self._descriptions:  # noqa: ASYNC110 - the driver's events have one reader
                await asyncio.sleep(0.02)
        return await self._driver.read(self._descriptions[device])

    async def read_after(self, device: str, before: Reported, done: Injection) -> Reported:
        """The reading once what was done has arrived: another box or firmware is described first."""
        described, back = done.truth & {"replaced", "firmware"}, done.truth & {"firmware", "restart", "default slot"}
        async with asyncio.timeout(30):
            while True:
                now = await self.read(device)
                new = (now.state.serial, now.state.moment) != (before.state.serial, before.state.moment)
                is_back = not back or now.state.boot_id != before.state.boot_id
                is_described = not described or now.description != before.description
                if new and is_back and is_described and now.state.serial == now.description.serial:
                    return now
                await asyncio.sleep(0.02)

    async def do(self, device: str, step: Step, *, stages: bool) -> None:
        """Carry out one step for real."""
        match step.do:
            case "press":
                await control.press(self._run.state, device, step.what)
            case "fault":
                await control.set_fault(self._run.state, device, step.what)
            case "power":
                await control.power_cut(self._run.state, [device], 0)
            case "begin":
                await self._begin(device, step.what)
            case "revert":
                await self._wire.do(device, "revert", {"change": self._open[device]})
            case "change" if stages:
                await self._begin(device, step.what)
                await self._wire.do(device, "keep", {"change": self._open[device]})
            case "change":
                await self._wire.do(device, "set", {"change": "theirs", **step.what})

    async def _begin(self, device: str, work: Json) -> None:
        self._open[device] = change = f"theirs-{device}"
        await self._wire.do(device, "stage", {"change": change, "phase": 1, **work})
        await self._wire.do(device, "commit", {"change": change, "phase": 1})


@asynccontextmanager
async def venue(folder: Path, faults: Mapping[str, str]) -> AsyncIterator[Venue]:
    options = [word for device, fault in faults.items() for word in ("--fault", f"{device}={fault}")]
    with (
        embedded_broker(folder) as port,
        simulators(
            port, "--count", str(DEVICES), "--seed", str(SEED), "--processes", "2", "--no-announce", *options
        ) as run,
    ):
        numbers = iter(range(1, 1_000_000))
        driver = MqttDriver(
            BrokerAddress(host=LOOPBACK, port=port),
            ROOT,
            "fleet-reader",
            new_id=lambda: f"r-{next(numbers)}",
            clock=asyncio.get_running_loop().time,
            random=Random(1),
            timings=Timings(),
        )
        async with controller(port, "desk-1", filters=f"{ROOT}/controllers/desk-1/replies") as wire, driver:
            there = Venue(run, wire, driver)
            listening = asyncio.create_task(there.listen())
            try:
                yield there
            finally:
                await end(listening)


async def injected(there: Venue, chance: Random, device: Simulated, number: int) -> Injection:
    """Something to do to this device: of the kinds in turn, the next that can be done to it."""
    told = await there.told(device.identity.device)
    for turn in range(len(INJECTED)):
        if one := draw(chance, INJECTED[(number + turn) % len(INJECTED)], device.model, told):
            return one
    raise AssertionError("something can be done to every device")


async def test_causes_injected_into_running_devices_are_found_from_reports_alone(tmp_path: Path) -> None:
    chance = Random(SEED)
    population = list(at_random(DEVICES, SEED))
    hints = {device.identity.device: chance.choice(HINTS) for device in population}
    faults = {d: "no_hint" if h == "none" else f"false_hint:{chance.choice(FALSE_HINTS)}" for d, h in hints.items()}
    truths: dict[str, Truth] = {}
    before: dict[str, Reported] = {}
    evidence: dict[str, Evidence] = {}
    async with venue(tmp_path, {d: fault for d, fault in faults.items() if hints[d] != "told"}) as there:
        chance.shuffle(population)
        for number, device in enumerate(population):
            name, stages = device.identity.device, device.model.stages
            if device.model.panel_lock and chance.random() < LOCKED:
                await there.do(name, Step("press", {"settings": {"panel_locked": True}}), stages=stages)
            one = await injected(there, chance, device, number)
            truths[name] = Truth((one,), hints[name])
            for step in one.before:
                await there.do(name, step, stages=stages)
            before[name] = await there.read(name)
        chance.shuffle(population)
        for device in population:
            for step in truths[device.identity.device].injected[0].steps:
                await there.do(device.identity.device, step, stages=device.model.stages)
        for name, truth in truths.items():
            now = await there.read_after(name, before[name], truth.injected[0])
            if shows(truth.injected[0].kind, before[name], now):
                evidence[name] = Evidence(before[name], now)
    assert len(evidence) > 0.9 * DEVICES
    verdicts = judged(list(evidence.values()))
    counts = list(counted([truths[name] for name in evidence], verdicts))
    print(f"\n{table(counts)}\nFLEET_SEED={SEED} plays the same")
    for name, verdict in zip(evidence, verdicts, strict=True):
        false = [part for part in verdict.parts if part.certain and part.kind not in truths[name].kinds]
        assert not false, f"{name}: {truths[name]} is taken for {false}"
    missed = {(one.hint, one.kind, one.said) for one in counts if one.outcome != "hit"}
    assert missed <= {(hint, *pair) for hint, pairs in SAME_EVIDENCE.items() for pair in pairs}
    assert len({one.kind for one in counts}) > 0.7 * len(INJECTED)
    found = {one.kind for one in counts if one.outcome == "hit"}
    assert {one.kind for one in counts if one.hint == "told"} <= found, "where hints are told, no cause is never found"
