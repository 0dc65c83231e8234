"""From what a device reports to a goal, as ordered work: mute, recall, set, ramp, store, unmute last.

The order never varies. Outputs that would click (recall, input, delay, crossover, polarity) are muted first where
they sound; a level that rises while it sounds is ramped; whoever muted for another reason than us is left alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from fleet.model.description import Description, Range
from fleet.model.plan import RAMPS, DevicePlan, Phase, Target, Work
from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.reconcile.exact import same_setting

CLICKS = frozenset({"delay_ms", "high_pass", "low_pass", "polarity"})
RAMP_STEP_DB = 3.0
NOTHING = OutputSettings()
NOTHING_WIDE = DeviceSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What a device is to be at the end, as far as it is to be touched.

    `live` holds only what is managed, in values the device can represent; `recall` the slot to recall;
    `hold` outputs that a recall would move but that are to end as they are; `store` slot contents to write.
    """

    live: DeviceSettings = field(default_factory=DeviceSettings)
    recall: int | None = None
    hold: frozenset[int] = frozenset()
    store: tuple[SlotContents, ...] = ()


def reach(reported: Reported, goal: Goal, positions: tuple[tuple[str, str], ...], *, stages: bool) -> DevicePlan | None:
    """One device's part of a plan, or `None` where it already is as the goal wants it."""
    recalled = after_recall(reported, goal.recall)
    final = _with_held(reported, goal)
    writes = _lasting(reported.description, recalled, final)
    mute, unmute = _mute_bracket(reported, goal, writes)
    ramps, first = _ramps(reported, writes, quiet=mute)
    work: dict[Phase, Work] = {}
    if mute:
        work[Phase.MUTE] = _mutes(mute, muted=True)
    if goal.recall is not None:
        work[Phase.RECALL] = Work(recall=goal.recall)
    if not first.empty():
        work[Phase.SET] = Work(settings=first)
    work |= ramps
    if goal.store:
        work[Phase.STORE] = Work(slot_contents=goal.store)
    if unmute:
        work[Phase.UNMUTE] = _mutes(unmute, muted=False)
    if not work:
        return None
    brought = recalled if goal.recall is not None else DeviceSettings()
    live = _target_live(reported, final, brought, unmute)
    after = Target(active_slot=goal.recall, live=live, stored=goal.store)
    before = _checkpoint(reported, work)
    return DevicePlan(
        device=reported.state.id,
        positions=positions,
        expect=reported.state.moment,
        work=work,
        before=before,
        after=after,
        undo=undo_of(before),
        stages=stages,
    )


def undo_of(before: Target) -> dict[Phase, Work]:
    """Work that brings a checkpoint back by writing it, whatever the device is now.

    Only outputs whose mute the change touched are muted: any other was silent before and still is.
    """
    outputs = before.live.outputs
    all_click = before.active_slot is not None or before.live.input is not None
    work: dict[Phase, Work] = {}
    if clicking := [n for n, s in outputs.items() if s.mute is not None and (all_click or CLICKS & set(s.given()))]:
        work[Phase.MUTE] = _mutes(clicking, muted=True)
    if before.active_slot is not None:
        work[Phase.RECALL] = Work(recall=before.active_slot)
    settings = replace(before.live, outputs={n: replace(s, mute=s.mute or None) for n, s in outputs.items()})
    if not settings.empty():
        work[Phase.SET] = Work(settings=settings)
    if before.stored:
        work[Phase.STORE] = Work(slot_contents=before.stored)
    if unmute := [n for n, s in outputs.items() if s.mute is False]:
        work[Phase.UNMUTE] = _mutes(unmute, muted=False)
    return work


def after_recall(reported: Reported, slot: int | None) -> DeviceSettings:
    """Live settings once `slot` is recalled; what an unreadable slot would bring is left out, since it is not known."""
    live = reported.state.live
    if slot is None:
        return live
    stores = reported.description.slots.stores
    contents = reported.slots.get(slot)
    if contents is None or contents.outputs is None:
        unmoved = {n: s.only(set(s.given()) - set(stores)) for n, s in live.outputs.items()}
        return replace(live, outputs=unmoved, input=None if "input" in stores else live.input)
    return DeviceSettings(
        input=contents.input if "input" in stores else None,
        outputs={n: s.only(stores) for n, s in contents.outputs.items()},
    ).over(live)


def ramp(now_db: float, wanted_db: float, levels: Range) -> list[float]:
    """Levels in dB from `now_db` (left out) to `wanted_db`, in rises of about 3 dB, in at most eight steps."""
    count = min(len(RAMPS), math.ceil((wanted_db - now_db) / RAMP_STEP_DB))
    rise = (wanted_db - now_db) / count
    return [*(levels.nearest(now_db + rise * i) for i in range(1, count)), wanted_db]


def _with_held(reported: Reported, goal: Goal) -> DeviceSettings:
    """The goal laid over the present settings of what a recall would move but is to be held."""
    held = {n: reported.state.output(n).only(STORABLE) for n in goal.hold} if goal.recall is not None else {}
    return goal.live.over(DeviceSettings(outputs=held))


def _lasting(description: Description, now: DeviceSettings, final: DeviceSettings) -> DeviceSettings:
    """What of `final` differs from `now` and so has to be written; mutes have phases of their own."""
    outputs = {}
    for number, wanted in final.outputs.items():
        have = now.outputs.get(number, NOTHING)
        names = [
            name
            for name in wanted.given()
            if name != "mute"
            and not same_setting(description, number, name, getattr(wanted, name), getattr(have, name))
        ]
        if names:
            outputs[number] = wanted.only(names)
    device = {n: getattr(final, n) for n in final.given() if getattr(final, n) != getattr(now, n)}
    return DeviceSettings(outputs=outputs, **device)


def _mute_bracket(reported: Reported, goal: Goal, writes: DeviceSettings) -> tuple[list[int], list[int]]:
    """Outputs to mute first, and outputs to unmute last."""
    all_click = goal.recall is not None or "input" in writes.given()
    mute, unmute = [], []
    for number, settings in sorted(reported.state.live.outputs.items()):
        wanted = goal.live.outputs.get(number, NOTHING).mute
        clicks = all_click or bool(CLICKS & set(writes.outputs.get(number, NOTHING).given()))
        sounding = not settings.mute
        if sounding and (clicks or wanted is True):
            mute.append(number)
        if wanted is not True and (
            (sounding and clicks) or (wanted is False and not sounding and not reported.state.muted_by_others(number))
        ):
            unmute.append(number)
    return mute, unmute


def _ramps(
    reported: Reported, writes: DeviceSettings, *, quiet: Collection[int]
) -> tuple[dict[Phase, Work], DeviceSettings]:
    """Level rises of sounding outputs as ramp phases, and the rest of the writes for the set phase."""
    outputs = dict(writes.outputs)
    steps: dict[int, list[float]] = {}
    for number, wanted in writes.outputs.items():
        now = reported.state.output(number)
        description = reported.description.output(number)
        if wanted.level_db is None or now.level_db is None or description is None or now.mute or number in quiet:
            continue
        if wanted.level_db - now.level_db > RAMP_STEP_DB:
            steps[number] = ramp(now.level_db, wanted.level_db, description.level_db)
            outputs[number] = wanted.only(set(wanted.given()) - {"level_db"})
    phases: dict[Phase, Work] = {}
    for index, phase in enumerate(RAMPS):
        levels = {n: OutputSettings(level_db=s[index]) for n, s in sorted(steps.items()) if index < len(s)}
        if levels:
            phases[phase] = Work(settings=DeviceSettings(outputs=levels))
    return phases, replace(writes, outputs={n: s for n, s in outputs.items() if s.given()})


def _mutes(numbers: Collection[int], *, muted: bool) -> Work:
    outputs = {n: OutputSettings(mute=muted) for n in sorted(numbers)}
    return Work(settings=DeviceSettings(outputs=outputs))


def _target_live(
    reported: Reported, final: DeviceSettings, brought: DeviceSettings, unmute: Collection[int]
) -> DeviceSettings:
    """What can be read back afterwards: the goal, what is held, and what a readable slot brings."""
    moved = {n: s.only(STORABLE) for n, s in brought.outputs.items()}
    live = final.over(DeviceSettings(input=brought.input, outputs=moved))
    outputs = dict(live.outputs)
    for number in {*outputs, *unmute}:
        settings = outputs.get(number, NOTHING)
        if number in unmute:
            outputs[number] = replace(settings, mute=False)
        elif settings.mute is False and reported.state.output(number).mute:
            outputs[number] = replace(settings, mute=None)  # others muted it: it stays so, and that is no failure
    return replace(live, outputs=outputs)


def _checkpoint(reported: Reported, work: Mapping[Phase, Work]) -> Target:
    """The present values of everything the work writes, and of everything a recall may move."""
    state, ability = reported.state, reported.description.slots
    recalls = Phase.RECALL in work
    written = DeviceSettings()
    for part in work.values():
        written = (part.settings or NOTHING_WIDE).over(written)
    outputs = {}
    for number, present in state.live.outputs.items():
        touched = present.only({*written.outputs.get(number, NOTHING).given(), *(ability.stores if recalls else ())})
        if touched.given():
            outputs[number] = touched
    wide = {*written.given(), *({"input"} & set(ability.stores) if recalls else ())}
    present_slots = (reported.slots.get(contents.slot) for part in work.values() for contents in part.slot_contents)
    return Target(
        active_slot=state.active_slot if recalls else None,
        live=DeviceSettings(outputs=outputs, **{name: getattr(state.live, name) for name in wide}),
        stored=tuple(c for c in present_slots if c is not None and c.outputs is not None),
    )
