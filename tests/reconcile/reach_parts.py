"""What the tests of the way to a goal share: plans of one device, and how gently it can rise."""

from __future__ import annotations

import math

from pure_device import PureDevice

from fleet.model.description import Range
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.reconcile.reach import Goal, reach

ROUNDING_DB = 1e-6


def part(device: PureDevice, goal: Goal, **other):
    return reach(device.reported(), goal, (("hall", "left"),), stages=True, **other)


def wish(**settings) -> Goal:
    return Goal(live=DeviceSettings(outputs={1: OutputSettings(**settings)}))


def phases(plan):
    return [phase.name for phase in plan.work]


def settings_in(plan, phase, output=1):
    return plan.work[phase].settings.outputs[output]


def levels_in(plan, output=1):
    """The levels written to an output, in the order of the phases."""
    settings = [w.settings.outputs.get(output, OutputSettings()) for w in plan.work.values() if w.settings]
    return [s.level_db for s in settings if s.level_db is not None]


def at_once_db(levels: Range) -> float:
    """The largest rise that is gentle: 3 dB, or what a device with steps of its own can do of it."""
    return max(1, math.floor(3.0 / levels.step + ROUNDING_DB)) * levels.step if levels.step else 3.0


def below_db(levels: Range) -> float:
    """How far below its final level an output starts at most: eight such rises, and never more than 24 dB."""
    reach_db = 8 * at_once_db(levels)
    return min(reach_db, math.floor(24.0 / levels.step + ROUNDING_DB) * levels.step) if levels.step else reach_db
