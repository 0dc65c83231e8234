"""A venue to hand over: an amplifier with a line and a low-impedance load, an aligned fill, a dead box, a siren."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from fleet.drivers.memory import MemoryDevice
from fleet.drivers.protocol import LinkUp
from fleet.model.description import Description
from fleet.model.edge import parse, plain
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings, SlotContents
from fleet.services.together import Services, wire
from tests.services.small_venue import FLAT, FOYER, NOON, Ids, StagingDriver, box, description, hear_all, store_at

VENUE = """\
format: 1
name: Harbour House
time_zone: Europe/Berlin
loudspeaker_types:
  ceiling-6:
    impedance_ohm: 8
    power_w: 20
    protective_high_pass_hz: 80
    passband_hz: [70, 18000]
    amplifier_preset: 5
    sensitivity_db: 88
"""
HALL = """\
format: 1
room: weir-hall
name: Weir Hall
air_temperature_c: 21
listen_at_m: [12, 0, 1.2]
curves:
  warm:
    - {shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}
    - {shape: low_shelf, frequency_hz: 120, gain_db: 3, q: 0.7}
house_curve: {curve: warm, slot: 5}
defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6, high_pass: {family: linkwitz_riley, slope_db_per_octave: 24, frequency_hz: 90}}
positions:
  main-left:  {device: box-1, groups: [mains], at_m: [0, -4, 5], drawing: A-101, cable: L1, rack: R2, circuit: F7}
  main-right: {device: box-2, groups: [mains], at_m: [0, 4, 5], drawing: A-101, cable: L2, switch_port: SW1/4}
  fill:
    device: box-3
    level_db: {between: [-14, -10]}
    at_m: [9, 0, 4]
    time_align: {to: main-left, offset_ms: 8}
  bar-line:
    device: amp-1
    level_db: -10
    eq: []
    high_pass: {family: linkwitz_riley, slope_db_per_octave: 24, frequency_hz: 80}
    line:
      volts: 100
      loudspeakers:
        - count: 4
          tap_w: 10
          type: ceiling-6
          name: over the counter
          set_by: Ana Reis
          set_on: 2031-04-28
          checked_by: Jo Lund
          checked_on: 2031-04-29
        - {count: 2, tap_w: 5, type: ceiling-6, name: at the door}
      cable_m: 80
      cable_mm2: 1.5
      amplifier_w: 60
      amplifier_total_w: 200
  lobby:
    device: amp-1
    output: 2
    level_db: -12
    high_pass: {family: linkwitz_riley, slope_db_per_octave: 24, frequency_hz: 80}
    line:
      loudspeakers: [{count: 2, type: ceiling-6}]
      cable_m: 12
      cable_mm2: 2.5
      amplifier_w: 80
      amplifier_min_ohm: 4
    silence: [{check: level-step, reason: people stand close to it}]
  horn: {device: box-9, life_safety: true}
"""
FILES = {"venue.yaml": VENUE, "rooms/weir-hall.yaml": HALL, "rooms/foyer.yaml": FOYER}
HOUSE = (
    Band(shape="bell", frequency_hz=2500, gain_db=-4, q=1.4),
    Band(shape="low_shelf", frequency_hz=120, gain_db=3, q=0.7),
)
HIGH_PASS = Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90)


def amplifier() -> MemoryDevice:
    """Two outputs, in slot 5, which holds what is live; the second is louder than wanted."""
    plainly = plain(description("amp-1", model="Sluice 2", latency_ms=1.5))
    second = {**plainly["outputs"][0], "output": 2}
    described = parse(Description, {**plainly, "outputs": [*plainly["outputs"], second]})
    live = {1: replace(FLAT, level_db=-10.0, high_pass=replace(HIGH_PASS, frequency_hz=80)), 2: FLAT}
    return MemoryDevice(
        description=described,
        live=DeviceSettings(input="network", panel_locked=False, outputs=live),
        slots={n: SlotContents(slot=n, name=f"slot {n}", outputs=live) for n in range(1, 9)},
        active_slot=5,
    )


def as_desired(device: str, **other: Any) -> MemoryDevice:
    """A main loudspeaker, live and in its slot as the files want it."""
    made = box(device, **other)
    wanted = replace(FLAT, level_db=-6.0, eq=HOUSE, high_pass=HIGH_PASS)
    made.live = replace(made.live, outputs={1: wanted})
    made.slots[5] = SlotContents(slot=5, name="warm", outputs={1: wanted})
    made.active_slot = 5
    return made


def devices() -> list[MemoryDevice]:
    """`box-2` has lost its EQ, `box-3` has another firmware, `box-5` is not there; `spare-1` has no position."""
    right = as_desired("box-2")
    right.live = DeviceSettings(outputs={1: OutputSettings(eq=())}).over(right.live)
    gone = box("box-5")
    gone.online = False
    return [
        *(as_desired("box-1"), right, box("box-3", firmware="1.3.9"), box("box-4"), gone),
        *(box("box-9"), amplifier(), box("spare-1")),
    ]


@asynccontextmanager
async def handing_over(
    folder: Path, files: dict[str, str] = FILES, made: list[MemoryDevice] | None = None
) -> AsyncIterator[Services]:
    """Services over these files, with the devices heard."""
    async with store_at(folder) as store:
        driver = StagingDriver(devices() if made is None else made)
        services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
        services.inventory.hear(LinkUp())
        await services.inventory.open()
        await services.desired.load(files, "ines", allow=["empty"])
        await hear_all(services, driver)
        yield services
        await services.close()
