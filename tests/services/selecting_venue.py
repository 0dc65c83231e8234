"""Two rooms with a partition between them, on devices in memory, with a schedule, a contact, and a clock to be set."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from fleet.drivers.memory import MemoryDevice
from fleet.drivers.protocol import LinkUp
from fleet.model.notice import Notice
from fleet.model.settings import Band
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FLAT, Ids, StagingDriver, boxes, hear_all

VENUE = "format: 1\nname: Harbour House\ntime_zone: Europe/Berlin\n"
EAST = """\
format: 1
room: east
defaults: {mute: false, level_db: -10}
house_curve: {curve: warm, slot: 5}
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
modes:
  day: {}
  night: {defaults: {level_db: -20}}
  combined: {defaults: {level_db: -12}, together_with: {west: combined}}
schedule:
  - {at: "07:30", days: weekdays, mode: day}
  - {at: "22:00", mode: night}
contacts:
  - {topic: building/partition-1, modes: {open: combined, closed: house}, settle_s: 3}
positions:
  left:  {device: box-1}
  right: {device: box-2}
  horn:  {device: box-9, life_safety: true}
"""
WEST = """\
format: 1
room: west
defaults: {mute: false, level_db: -10}
house_curve: {curve: warm, slot: 5}
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
modes:
  combined: {defaults: {level_db: -12}}
positions:
  desk: {device: box-4}
"""
FILES = {"venue.yaml": VENUE, "rooms/east.yaml": EAST, "rooms/west.yaml": WEST}
TUESDAY = datetime(2031, 5, 20, 0, 0, tzinfo=UTC)
"""Two in the morning in Berlin."""


@dataclass
class Clock:
    """A clock that stands until it is set."""

    now: datetime = TUESDAY

    def __call__(self) -> datetime:
        return self.now

    def at(self, clock: str, day: int = 20) -> None:
        """Set it to a time in Berlin on a day of May 2031 (the 20th is a Tuesday)."""
        hour, minute, second = (int(part) for part in f"{clock}:00".split(":")[:3])
        self.now = datetime(2031, 5, day, hour, minute, second, tzinfo=UTC) - timedelta(hours=2)

    def later(self, **spans: float) -> None:
        self.now += timedelta(**spans)


@dataclass
class House:
    """The daemon's services over the venue, with what people are told."""

    services: Services
    driver: StagingDriver
    clock: Clock

    async def tick(self) -> None:
        await hear_all(self.services, self.driver)
        await self.services.scheduling.tick()
        await self.services.contacts.tick()

    async def tick_at(self, clock: str, day: int = 20) -> None:
        self.clock.at(clock, day)
        await self.tick()

    def modes(self) -> dict[str, tuple[str, str]]:
        """Mode of each room that was ever brought into one, and by whom."""
        return {room: (one.mode, one.who) for room, one in self.services.desired.modes.items()}

    def levels_db(self) -> dict[str, float | None]:
        return {
            n: d.live.outputs[1].level_db for n, d in self.driver.devices.items() if n in ("box-1", "box-2", "box-4")
        }

    async def notices(self) -> list[Notice]:
        return list(reversed(await self.services.notices.recent()))

    async def told(self) -> list[str]:
        return [f"{n.kind}: {n.words}" for n in await self.notices()]

    async def changes(self) -> int:
        """How many recalls there were."""
        return len([r for r in await self.services.changes.records() if r.plan.kind == "recall"])

    def off(self, device: str) -> None:
        """A device loses its power."""
        self.driver.devices[device].online = False
        self.driver.touched(device)

    def on(self, device: str) -> None:
        self.driver.devices[device].online = True
        self.driver.touched(device)


@asynccontextmanager
async def house(
    store: Store, clock: Clock, driver: StagingDriver | None = None, files: dict[str, str] = FILES
) -> AsyncIterator[House]:
    """One life of the daemon. The clock and the driver outlive it."""
    driver = driver or StagingDriver(right_boxes())
    services = wire(store=store, driver=driver, clock=clock, new_id=Ids(1 + 1000 * len(await store.changes(100))))
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await services.desired.load(files, "ines", allow=["older", "smaller"])
    await driver.census()
    await hear_all(services, driver)
    yield House(services=services, driver=driver, clock=clock)
    await services.inventory.flush()
    await services.close()


def right_boxes() -> list[MemoryDevice]:
    """The devices as the rooms' files want them, with that in their house-curve slots: a recall is trusted then."""
    band = Band(shape="bell", frequency_hz=2500, gain_db=-4, q=1.4)
    sound = replace(FLAT, level_db=-10.0, eq=(band,))
    devices = boxes(("box-1", "box-2", "box-4", "box-9"))
    for device in devices:
        device.live = replace(device.live, outputs={1: sound})
        device.slots[5] = replace(device.slots[5], outputs={1: sound})
        device.active_slot = 5
    return devices
