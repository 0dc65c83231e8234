"""A venue for the page: a hall with coordinates, a range, modes and a stage, a foyer without, and who may sign in."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path

from fleet.drivers.memory import MemoryDevice
from fleet.drivers.protocol import WentOffline
from fleet.faces.cli.client import find
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.services.access import AskedToken
from tests.faces.daemon_in_process import RunningDaemon, a_daemon
from tests.services.small_venue import apply, begun, box, ended

VENUE = "format: 1\nname: Harbour House\ntime_zone: Europe/Berlin\n"
HALL = """\
format: 1
room: weir-hall
name: Weir Hall
listen_at_m: [11, 0, 1.2]
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
house_curve: {curve: warm, slot: 5}
defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6}
  fills: {level_db: {between: [-20, -8]}}
positions:
  main-left:   {device: box-1, groups: [mains], at_m: [0, -4.2, 5.1]}
  main-right:  {device: box-2, groups: [mains], at_m: [0, 4.2, 5.1]}
  fill-left:   {device: box-3, groups: [fills], at_m: [8, -5.4, 3.2]}
  fill-right:  {device: box-4, groups: [fills], at_m: [8, 5.4, 3.2]}
  balcony:     {device: box-5, groups: [fills], at_m: [14, 0.8, 6.8]}
  balcony-bar: {device: box-6, groups: [fills], at_m: [14, 1.6, 6.8]}
  horn:        {device: box-9, life_safety: true, at_m: [13, -6, 4]}
modes:
  speech: {name: Speech, positions: {balcony: {level_db: -14}}}
"""
FOYER = """\
format: 1
room: foyer
name: Foyer
positions:
  desk: {device: box-7, level_db: -10}
  door: {device: box-8, level_db: -10}
"""
FILES = {"venue.yaml": VENUE, "rooms/weir-hall.yaml": HALL, "rooms/foyer.yaml": FOYER}
FIRST_ID_AGAIN = 1000
"""Above every id that putting a scene right takes."""
BOXES = tuple(f"box-{n}" for n in range(1, 10))


@dataclass
class Scene:
    """A daemon that runs, its address, and a token for each role."""

    daemon: RunningDaemon
    url: str
    tokens: dict[str, str]

    def turned(self, device: str, level_db: float) -> None:
        """Somebody turns a level at the box."""
        one = self.daemon.driver.devices[device]
        one.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(one.live)
        self.daemon.touched(device)

    def dies(self, device: str) -> None:
        """A box falls silent, and its broker tells so."""
        self.daemon.driver.devices[device].online = False

        async def gone() -> None:
            self.daemon.services.inventory.hear(WentOffline(device=device))

        self.daemon.do(gone())

    def level_db(self, device: str) -> float | None:
        return self.daemon.driver.devices[device].live.outputs[1].level_db

    def muted(self, device: str) -> bool | None:
        return self.daemon.driver.devices[device].state().output(1).mute


@contextmanager
def a_scene(
    home: Path, files: dict[str, str] | None = None, devices: list[MemoryDevice] | None = None
) -> Iterator[Scene]:
    """A scene in which every room is as it should be, and its house curve is stored."""
    made = [box(name) for name in BOXES] if devices is None else devices
    with a_daemon(home, made, loaded=False) as daemon:
        services = daemon.services

        async def prepare() -> dict[str, str]:
            venue = (await services.desired.load(files or FILES, "ines")).version.venue
            tokens = {}
            for role in ("integrator", "operator", "auditor"):
                rooms = tuple(venue.rooms) if role == "operator" else ()
                asked = AskedToken(name=f"{role} one", role=role, rooms=rooms)  # type: ignore[arg-type]
                tokens[role] = (await services.access.make(asked, "ines"))[1]
            return tokens

        async def put_right() -> None:
            for room in sorted(services.desired.venue().rooms):
                for asked in (apply(room), replace(apply(room), kind="store")):
                    if not (await services.changes.plan(asked)).empty():
                        record = await begun(services, asked, allow=("rise", "half-room", "many-devices"))
                        assert (await ended(services, record.id)).state == "kept"

        tokens = daemon.do(prepare())
        daemon.do(put_right())
        yield Scene(daemon, find(home).url, tokens)


@dataclass(frozen=True)
class Prepared:
    """A scene that was put right and left: it begins again from here in a moment, as often as one likes."""

    home: Path
    devices: Sequence[MemoryDevice]
    tokens: dict[str, str]

    @classmethod
    def in_folder(cls, home: Path) -> Prepared:
        """Put a scene right, and leave it."""
        with a_scene(home) as scene:
            pass
        return cls(home, tuple(scene.daemon.driver.devices.values()), scene.tokens)

    @contextmanager
    def scene(self, home: Path) -> Iterator[Scene]:
        """The scene, in a folder of its own."""
        shutil.copytree(self.home, home)
        with a_daemon(home, deepcopy(self.devices), loaded=False, first_id=FIRST_ID_AGAIN) as daemon:
            yield Scene(daemon, find(home).url, dict(self.tokens))
