"""A venue of five rooms, two of which share an amplifier, for rounds over all of them."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from typing import Any

from fleet.drivers.memory import MemoryDevice
from fleet.model.edge import plain
from fleet.model.round import Round
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.services.rounds import AskedRound, Rounds
from tests.services.small_venue import FLAT, FOYER, HALL, VENUE, box, boxes, description

ATTIC = """\
format: 1
room: attic
name: Attic
positions:
  beam:  {device: box-6, level_db: -9}
  hatch: {device: box-7, level_db: -9}
"""
BAR = """\
format: 1
room: bar
name: Bar
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
house_curve: {curve: warm, slot: 5}
positions:
  counter: {device: amp-1, output: 1, level_db: -8}
"""
YARD = BAR.replace("room: bar\nname: Bar", "room: yard\nname: Yard").replace(
    "counter: {device: amp-1, output: 1", "gate: {device: amp-1, output: 2"
)
ROOMS = {"attic": ATTIC, "bar": BAR, "foyer": FOYER, "weir-hall": HALL, "yard": YARD}
FIVE_ROOMS = {"venue.yaml": VENUE, **{f"rooms/{name}.yaml": text for name, text in ROOMS.items()}}


def amplifier() -> MemoryDevice:
    """An amplifier of two outputs, flat as the boxes are."""
    one = description("amp-1")
    first = one.outputs[0]
    outputs = {1: FLAT, 2: FLAT}
    two = description("amp-1", outputs=[_plain(first, 1), _plain(first, 2)])
    return MemoryDevice(
        description=two,
        live=DeviceSettings(input="network", panel_locked=False, outputs=outputs),
        slots={n: SlotContents(slot=n, name=f"slot {n}", outputs=outputs) for n in range(1, 9)},
        active_slot=1,
    )


def all_devices() -> list[MemoryDevice]:
    """The devices of all five rooms."""
    return [*boxes(), *(box(name) for name in ("box-6", "box-7")), amplifier()]


async def agreed(rounds: Rounds, kind: Any = "apply", **other: Any) -> AskedRound:
    """The round over every room, as a person agrees to it who looked at the plans."""
    looks = await rounds.look(kind)
    digests = {look.room: look.plan.digest if look.plan else "" for look in looks}
    return AskedRound(kind=kind, digests=digests, **{"allow": ("rise", "half-room", "live-click"), **other})


async def gone_through(rounds: Rounds, asked: AskedRound) -> Round:
    """The round, at its end. The time limit is only there so that a failure ends."""
    async with asyncio.timeout(30):
        one = await rounds.start(asked, who="ines", why="season")
        while (one := await rounds.wait(one.id, 5)).ended is None:
            pass
        return one


def states(one: Round) -> Mapping[str, str]:
    """Each room's state."""
    return {result.room: result.state.value for result in one.rooms}


def told(one: Round) -> Mapping[str, list[str]]:
    """The devices that each room counts, where it counts any."""
    return {result.room: list(result.counted) for result in one.rooms if result.counted}


def away(devices: Mapping[str, MemoryDevice], names: Iterable[str]) -> None:
    """Let these devices fall silent, without a word."""
    for name in names:
        devices[name].online = False


def _plain(output: Any, number: int) -> Any:
    return {**plain(output), "output": number}
