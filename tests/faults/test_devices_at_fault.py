"""Devices that fail in every way and in every state of a change, over a real broker: wholly new, wholly old, or named.

Three boxes of a coherent set are to be 3 dB louder and 5 ms later: mute, set, read back, unmute, read back, keep.
Box 2 is struck by its fault at the first request that belongs to the state.
"""

from __future__ import annotations

import asyncio
import itertools
import random
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.model.change import ChangeRecord, ChangeState
from fleet.reconcile.progress import Limits
from fleet.reconcile.scope import Scope
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.sql import open_store
from fleet.tasks import end
from tests.brokers import embedded_broker
from tests.empty_store import url_of_store
from tests.faults.faulty_box import FaultyBox
from tests.faults.results import record
from tests.services.small_venue import until

S = ChangeState
FOUND_DB, WANTED_DB, PRESSED_DB = -15.0, -12.0, 3.0
BOXES = ("box-1", "box-2", "box-3")
FILES = {
    "venue.yaml": "format: 1\nname: The Test Barn\ntime_zone: Europe/London\n",
    "rooms/barn.yaml": f"""\
format: 1
room: barn
groups:
  set: {{together: true, level_db: {WANTED_DB:g}, delay_ms: 5}}
positions:
  left:   {{device: box-1, groups: [set]}}
  centre: {{device: box-2, groups: [set]}}
  right:  {{device: box-3, groups: [set]}}
""",
}
TIMINGS = Timings(repeat_after_s=0.25, attempts=3, backoff_first_s=0.1, backoff_most_s=0.3)
LIMITS = Limits(
    staging_s=1.5,
    committing_s=1.5,
    verifying_s=1.5,
    keeping_s=1.5,
    rolling_back_s=1.5,
    checking_s=2.0,
    recovering_s=2.0,
    ramp_pause_s=0.01,
)

Moment = Callable[[FaultyBox, dict[str, Any]], bool]
AT: dict[ChangeState, Moment] = {
    S.STAGING: lambda _, request: request["action"] == "stage",
    S.COMMITTING: lambda _, request: request["action"] == "commit",
    S.VERIFYING: lambda box, request: request["action"] == "get" and box.committed,
    S.ON_TRIAL: lambda box, request: request["action"] == "get" and box.committed,
    S.KEEPING: lambda _, request: request["action"] == "keep",
    S.ROLLING_BACK: lambda _, request: request["action"] == "revert",
    S.CHECKING: lambda box, request: request["action"] == "get" and box.reverted,
    S.RECOVERING: lambda _, request: request["action"] == "get",
}
"""The request at which a fault of this state strikes."""
FAULTS = (
    "reboots",
    "loses power",
    "falls silent",
    "answers twice",
    "answers late",
    "repeats an older answer first",
    "answers nonsense",
    "accepts and does nothing",
    "does something else",
    "is turned down at the panel",
)
HARMLESS = frozenset({"answers twice", "answers late", "repeats an older answer first"})
"""Faults that the repeats of the wire contract put right."""


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    """A broker of its own for each test: what one leaves behind is none of the next one's business."""
    with embedded_broker(tmp_path) as number:
        yield number


@dataclass
class Barn:
    """The boxes, and one life of a daemon after the other over one database."""

    folder: Path
    root: str
    port: int
    boxes: dict[str, FaultyBox]
    lives: int = 0

    @asynccontextmanager
    async def daemon(self) -> AsyncIterator[Services]:
        """A daemon that is cut off at the end of the block as kill -9 would cut it."""
        self.lives += 1
        names = (f"{self.lives}-{n}" for n in itertools.count(1))
        broker = BrokerAddress(host="127.0.0.1", port=self.port)
        async with AsyncExitStack() as stack:
            store = await stack.enter_async_context(open_store(url_of_store(self.folder / "fleet.db")))
            driver = MqttDriver(
                broker,
                self.root,
                "fleet-barn",
                new_id=lambda: f"r-{next(names)}",
                clock=asyncio.get_running_loop().time,
                random=random.Random(1),
                timings=TIMINGS,
            )
            await stack.enter_async_context(driver)
            services = wire(store=store, driver=driver, clock=_now, new_id=lambda kind: f"{kind}-{next(names)}")
            changes = Changes(
                store=store,
                driver=driver,
                inventory=services.inventory,
                desired=services.desired,
                lookout=services.lookout,
                clock=_now,
                new_id=lambda: f"c-{next(names)}",
                limits=LIMITS,
            )
            services.changes = changes  # whose limits are over sooner
            await services.inventory.open()
            await services.desired.open()
            await services.desired.load(FILES, "ines")
            tending = asyncio.create_task(Tending(services).run())
            try:

                async def heard() -> bool:
                    return all(services.inventory.reported(box) is not None for box in BOXES)

                await until(heard)
                yield services
            finally:
                await end(tending, *changes._runs._tasks)


@asynccontextmanager
async def a_barn(folder: Path, port: int) -> AsyncIterator[Barn]:
    root = f"barn-{folder.name}"
    boxes = {
        name: FaultyBox(name, number, "Fennbeck 12", root, port, FOUND_DB) for number, name in enumerate(BOXES, start=1)
    }
    async with AsyncExitStack() as stack:
        for box in boxes.values():
            await stack.enter_async_context(box.alive())
        yield Barn(folder, root, port, boxes)


async def begun(services: Services, *, trial: bool) -> str:
    asked = Asked(kind="apply", scope=Scope(rooms=("barn",)))
    plan = await services.changes.plan(asked)
    started = await services.changes.start(
        asked,
        digest=plan.digest,
        who="ines",
        why="",
        allow=["half-room", "rise"],
        keep_within_s=10.0 if trial else None,
    )
    return started.id


async def at_rest(services: Services, change: str) -> ChangeRecord:
    """The change at its end, or on trial."""
    async with asyncio.timeout(20):
        while not (found := await services.changes.wait(change, 5, or_trial=True)).state.ended:
            if found.state is S.ON_TRIAL:
                return found
    return found


async def ended(services: Services, change: str) -> ChangeRecord:
    async with asyncio.timeout(20):
        while not (found := await services.changes.wait(change, 5)).state.ended:
            pass
    return found


async def carried_out(barn: Barn, state: ChangeState, fault: str) -> ChangeRecord:
    """A change during which box 2 is struck in this state."""
    box = barn.boxes["box-2"]
    box.fault = fault
    async with barn.daemon() as services:
        if state not in {S.ON_TRIAL, S.RECOVERING}:
            box.moment = AT[state]
        if state in {S.ROLLING_BACK, S.CHECKING}:
            spoiler = barn.boxes["box-3"]
            spoiler.fault, spoiler.moment = "is turned down at the panel", AT[S.COMMITTING]
        change = await begun(services, trial=state in {S.ON_TRIAL, S.RECOVERING})
        found = await at_rest(services, change)
        if state is S.ON_TRIAL:
            await _strike_on_trial(box, services, change)
            found = await ended(services, change)
    if state is S.RECOVERING:
        box.moment = AT[state]
        async with barn.daemon() as services:
            await services.changes.recover()
            if (await at_rest(services, change)).state is S.ON_TRIAL:
                await services.changes.keep(change)
            found = await ended(services, change)
    return found


async def _strike_on_trial(box: FaultyBox, services: Services, change: str) -> None:
    """Nothing is asked of a device on trial: what it does by itself comes at once, the rest when it is to keep."""
    if box.fault in {"reboots", "loses power", "is turned down at the panel"}:
        box.struck = True
        if box.fault == "is turned down at the panel":
            box.turn_knob(box.level_db - PRESSED_DB)
        else:
            box.cut_power()
            await until(lambda: _left_trial(services, change))
            return
    else:
        box.moment = AT[S.ON_TRIAL]
    await services.changes.keep(change)


async def _left_trial(services: Services, change: str) -> bool:
    return (await services.changes.record(change)).state is not S.ON_TRIAL


def heard(box: FaultyBox) -> tuple[float, float, bool]:
    settings, mutes = box._device.running.live.outputs[0], box._device.running.live.mutes[0]
    return settings["level_db"], round(settings["delay_ms"], 1), bool(mutes)


OLD, NEW = (FOUND_DB, 0.0, False), (WANTED_DB, 5.0, False)
OLD_PRESSED = (FOUND_DB - PRESSED_DB, 0.0, False)
"""As before, but for what somebody did at the panel."""


def judge(barn: Barn, found: ChangeRecord) -> None:
    """Wholly new, wholly old, or exactly the boxes that are neither are named; nothing is left open."""
    sounds = {name: heard(box) for name, box in barn.boxes.items()}
    if found.state is S.KEPT:
        assert set(sounds.values()) == {NEW}, sounds
        return
    named = {o.device for o in found.outcomes if o.word == "needs a person"}
    assert (found.state is S.NEEDS_PERSON) == bool(named)
    assert found.state in {S.ROLLED_BACK, S.CANCELLED, S.NEEDS_PERSON}
    assert found.culprits
    apart = {name for name, sound in sounds.items() if sound not in (OLD, OLD_PRESSED)}
    assert apart <= named, (sounds, found.culprits)


CASES = [(state, fault) for state in AT for fault in FAULTS]
IMPOSSIBLE = {
    (state, fault)
    for state in (S.VERIFYING, S.ON_TRIAL, S.CHECKING, S.RECOVERING)
    for fault in ("accepts and does nothing",)
}
"""Nothing is accepted in these states: devices are only read."""


@pytest.mark.parametrize(("state", "fault"), [case for case in CASES if case not in IMPOSSIBLE], ids=str)
async def test_a_device_at_fault(tmp_path: Path, port: int, state: ChangeState, fault: str) -> None:
    async with a_barn(tmp_path, port) as barn:
        found = await carried_out(barn, state, fault)
        assert barn.boxes["box-2"].struck, "the fault never struck"
        for box in barn.boxes.values():
            box.be_well()
        await asyncio.sleep(1.5 if fault == "loses power" else 0.3)
        for box in barn.boxes.values():
            box.let_time_pass()
        judge(barn, found)
        assert {box.open_change for box in barn.boxes.values()} == {None}
        if fault in HARMLESS and state not in {S.ROLLING_BACK, S.CHECKING}:
            assert found.state is S.KEPT, found.culprits
        record(f"device {fault}", state.value, found.state.value)
        COUNTS[found.state.value] += 1


async def test_a_stage_that_arrives_after_its_abort_opens_nothing(tmp_path: Path, port: int) -> None:
    async with a_barn(tmp_path, port) as barn, barn.daemon() as services:
        box = barn.boxes["box-2"]
        box.fault, box.moment = "hears it after the abort", AT[S.STAGING]
        found = await ended(services, await begun(services, trial=False))
        assert found.state is S.CANCELLED

        async def refused() -> bool:
            return [r["action"] for r in box.requests[-2:]] == ["stage", "abort"] or box._overtaken is None

        await until(refused)
        assert box.open_change is None
        judge(barn, found)
        record("device hears a stage after its abort", S.STAGING.value, found.state.value)


async def test_a_device_that_goes_back_by_itself_while_another_change_is_planned_stops_it(
    tmp_path: Path, port: int
) -> None:
    async with a_barn(tmp_path, port) as barn, barn.daemon() as services:
        box = barn.boxes["box-2"]
        box.be_held_by_another()
        box.fault, box.moment = "goes back by itself first", AT[S.STAGING]
        found = await ended(services, await begun(services, trial=False))
        assert found.state is S.CANCELLED
        assert list(found.culprits) == ["box-2"]
        judge(barn, found)
        record("device goes back by itself while another change is planned", S.STAGING.value, found.state.value)
        box.fault, box.struck = "", True
        assert (await ended(services, await begun(services, trial=False))).state is S.KEPT


async def test_a_daemon_that_never_comes_back_leaves_a_trial_to_the_devices(tmp_path: Path, port: int) -> None:
    async with a_barn(tmp_path, port) as barn:
        async with barn.daemon() as services:
            change = await begun(services, trial=True)
            assert (await at_rest(services, change)).state is S.ON_TRIAL
        assert {heard(box) for box in barn.boxes.values()} == {NEW}
        for box in barn.boxes.values():
            box.let_time_pass()
        assert {heard(box) for box in barn.boxes.values()} == {OLD}
        assert {box.open_change for box in barn.boxes.values()} == {None}
        async with barn.daemon() as services:
            await services.changes.recover()
            assert (await ended(services, change)).state is S.ROLLED_BACK
        record("daemon never comes back", S.ON_TRIAL.value, "rolled back")


COUNTS: Counter[str] = Counter()


def test_the_count(capsys: pytest.CaptureFixture[str]) -> None:
    """Printed, so that it can be seen how many faults were survived."""
    if not COUNTS:
        pytest.skip("runs with the tests above")
    with capsys.disabled():
        print(f"\n{sum(COUNTS.values())} device faults in {len(AT)} states: {dict(COUNTS)}")
    assert set(COUNTS) <= {"kept", "rolled back", "cancelled", "needs a person"}


def _now() -> datetime:
    return datetime.now(UTC)
