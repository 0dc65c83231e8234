"""What to write at a position that a room has already, so that it wants what its device reports."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fleet.model.settings import OUTPUT_SETTINGS
from fleet.reconcile.capture import SETTINGS, plain_value
from fleet.reconcile.capture_values import CapturedOutput, same
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.wanted import WantedDevice, WantedOutput

Members = dict[str, Any]
"""Members of the position in its file; `None` takes one out."""


def amended(one: CapturedOutput, wanted: WantedDevice | None) -> Members:
    """The members to set. What the room's files make of the position already is left as it is written there.

    `wanted` is what they ask of the device; `None` where that cannot be worked out, so that everything is written.
    A setting that is reported inside its allowed range stays in the range.
    """
    output = wanted.outputs.get(one.output) if wanted else None
    members: Members = {}
    for setting in SETTINGS:
        if setting == "mute":
            if (mute := _mute(one, output)) is not None:
                members["mute"] = mute
        elif setting == "slot":
            if one.slot is not None and (wanted is None or wanted.slot != one.slot):
                members["slot"] = one.slot
        elif setting in one.values and not _is_wanted(one, setting, wanted, output):
            members[setting] = plain_value(one.values[setting])
    return {**members, **dict.fromkeys(_replaced(members))}


def left_open(one: CapturedOutput, wanted: WantedDevice | None) -> Iterator[str]:
    """What will still differ at the position, in words: a slot that cannot be asked for, though another is."""
    if wanted is not None and wanted.slot is not None and one.slot is None:
        yield f"slot {wanted.slot} stays desired: store it with `fleet store`, or ask for another in the file"


def _is_wanted(one: CapturedOutput, setting: str, wanted: WantedDevice | None, output: WantedOutput | None) -> bool:
    if wanted is None or output is None:
        return False
    live = one.live(setting)
    between = output.between.get(setting)
    if between is not None:
        return isinstance(live, float | int) and between.low - ROUNDING <= live <= between.high + ROUNDING
    held = getattr(output.settings, setting) if setting in OUTPUT_SETTINGS else getattr(wanted, setting)
    return held is not None and same(held, live)


def _mute(one: CapturedOutput, output: WantedOutput | None) -> bool | None:
    """What to write about the mute, if anything: where it is muted, or a mute is wanted that is not there."""
    wanted = output.settings.mute if output else None
    if "mute" in one.values:
        return None if wanted else True
    return False if wanted and not one.live("mute") else None


def _replaced(members: Members) -> Iterator[str]:
    """Members that say the same in another way, and cannot stand beside the new ones."""
    if "delay_ms" in members:
        yield "time_align"
    if "level_db" in members:
        yield "trim_db"
