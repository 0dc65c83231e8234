"""The venue of the simulated month: five rooms on twelve boxes in memory, as they should be at its beginning."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from fleet.drivers.memory import MemoryDevice
from fleet.model.settings import Band, DeviceSettings, OutputSettings, SlotContents
from tests.services.small_venue import box

FIRST = datetime(2031, 10, 1, 4, 0, tzinfo=UTC)
"""Six in the morning in Berlin, where the clocks go back on the 26th."""
LAST = datetime(2031, 10, 31, 4, 0, tzinfo=UTC)

VENUE = "format: 1\nname: Harbour House\ntime_zone: Europe/Berlin\n"
HALL = """\
format: 1
room: hall
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
house_curve: {curve: warm, slot: 5}
defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6}
  fills: {level_db: -12}
modes:
  quiet: {defaults: {level_db: -18}}
schedule:
  - {at: "07:30", mode: house}
  - {at: "22:00", mode: quiet}
positions:
  main-left:  {device: box-1, groups: [mains], circuit: LP-1}
  main-right: {device: box-2, groups: [mains], circuit: LP-1}
  fill-1:     {device: box-3, groups: [fills], circuit: LP-1}
  fill-2:     {device: box-4, groups: [fills], circuit: LP-2}
"""
EAST = """\
format: 1
room: east
defaults: {mute: false, level_db: -10}
modes:
  combined: {defaults: {level_db: -12}, together_with: {west: combined}}
  service: {defaults: {level_db: -11}}
schedule:
  - {at: "02:30", days: [sunday], mode: service}
  - {at: "04:00", days: [sunday], mode: house}
contacts:
  - {topic: building/partition, modes: {open: combined, closed: house}, settle_s: 3}
positions:
  left:  {device: box-5}
  right: {device: box-6}
"""
WEST = """\
format: 1
room: west
defaults: {mute: false, level_db: -10}
modes:
  combined: {defaults: {level_db: -12}}
positions:
  desk: {device: box-7}
"""
BAR = """\
format: 1
room: bar
defaults: {mute: false}
positions:
  counter: {device: box-8, level_db: {between: [-20, -6]}}
  corner:  {device: box-10, level_db: {between: [-20, -6]}}
"""
FOYER = """\
format: 1
room: foyer
defaults: {mute: false, level_db: -10}
on_drift: repair
nobody_near: always
positions:
  desk: {device: box-11}
"""
STUDIO = """\
format: 1
room: studio
defaults: {mute: false, level_db: -10}
off_hours: [{start: "23:30", until: "06:00"}]
positions:
  corner-1: {device: box-12}
  corner-2: {device: box-13}
"""
FILES = {
    "venue.yaml": VENUE,
    **{
        f"rooms/{name}.yaml": text
        for name, text in {
            "hall": HALL,
            "east": EAST,
            "west": WEST,
            "bar": BAR,
            "foyer": FOYER,
            "studio": STUDIO,
        }.items()
    },
}
HALL_BOXES = ("box-1", "box-2", "box-3", "box-4")
LEVELS_DB = {"box-1": -6.0, "box-2": -6.0, "box-3": -12.0, "box-4": -12.0, "box-8": -12.0, "box-10": -12.0}
LEVEL_DB = -10.0


def month_boxes() -> list[MemoryDevice]:
    """The boxes: those of the hall come back from a power cut in a factory slot, the others as they were."""
    return [_box(f"box-{n}") for n in (1, 2, 3, 4, 5, 6, 7, 8, 10, 11, 12, 13)]


def _box(device: str) -> MemoryDevice:
    made = box(device, **({"power_up": {"behaviour": "default_slot", "slot": 1}} if device in HALL_BOXES else {}))
    level = OutputSettings(level_db=LEVELS_DB.get(device, LEVEL_DB))
    if device not in HALL_BOXES:
        made.live = DeviceSettings(outputs={1: level}).over(made.live)
        return made
    live = replace(level.over(made.live.outputs[1]), eq=(Band(shape="bell", frequency_hz=2500, gain_db=-4, q=1.4),))
    made.live = replace(made.live, outputs={1: live})
    made.slots[5] = SlotContents(slot=5, name="warm", outputs={1: live})
    made.active_slot = 5
    return made
