"""The mute bracket: which outputs are muted before a change and unmuted after it, so that nothing clicks or jumps.

Outputs that others muted (an external contact, an alarm) are left to them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from fleet.model.plan import Work
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.reconcile.exact import ROUNDING, same_setting

CLICKS = frozenset({"delay_ms", "high_pass", "low_pass", "polarity"})
JUMP_DB = 3.0
"""More than this at once is a jump where it sounds."""
NOTHING = OutputSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """Outputs to mute first, and outputs to unmute once all else is read back."""

    mute: tuple[int, ...]
    unmute: tuple[int, ...]


def bracket(
    reported: Reported,
    recalled: DeviceSettings,
    writes: DeviceSettings,
    wanted: DeviceSettings,
    *,
    recalls: bool,
    mute_for_recall: bool,
) -> Bracket:
    """What to mute and unmute around a recall that leaves `recalled`, and `writes` after it.

    An output that is `wanted` unmuted is unmuted where the mute is ours or the panel's. Without `mute_for_recall` a
    recall mutes only what it makes click or jump; a slot that cannot be read may do either.
    """
    all_click = (
        "input" in writes.given() or recalled.input != reported.state.live.input or (recalls and mute_for_recall)
    )
    mute, unmute = [], []
    for number, present in sorted(reported.state.live.outputs.items()):
        muted = wanted.outputs.get(number, NOTHING).mute
        written = writes.outputs.get(number, NOTHING)
        clicks = all_click or bool(CLICKS & set(written.given()))
        if recalls and not clicks:
            clicks = _recall_is_heard(reported, recalled, written, number)
        sounding = not present.mute
        if sounding and (clicks or muted is True):
            mute.append(number)
        if muted is not True and (
            (sounding and clicks) or (muted is False and not sounding and not reported.state.muted_by_others(number))
        ):
            unmute.append(number)
    return Bracket(mute=tuple(mute), unmute=tuple(unmute))


def mute_work(numbers: Collection[int], *, muted: bool) -> Work:
    """The work that mutes or unmutes these outputs."""
    outputs = {n: OutputSettings(mute=muted) for n in sorted(numbers)}
    return Work(settings=DeviceSettings(outputs=outputs))


def _recall_is_heard(reported: Reported, recalled: DeviceSettings, written: OutputSettings, number: int) -> bool:
    """Whether a recall by itself makes an output click, or its level jump: up, or so far down that it jumps back."""
    present, brought = reported.state.output(number), recalled.outputs.get(number, NOTHING)
    for name in CLICKS:
        if not same_setting(reported.description, number, name, getattr(brought, name), getattr(present, name)):
            return True
    if present.level_db is None:
        return False
    if brought.level_db is None:
        return True
    ends_db = brought.level_db if written.level_db is None else written.level_db
    back_db = min(ends_db, present.level_db) - brought.level_db
    return max(brought.level_db - present.level_db, back_db) > JUMP_DB + ROUNDING
