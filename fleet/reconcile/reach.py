"""From what a device reports to a goal, as ordered work: mute, recall, set, store, unmute, and ramps last.

The order never varies. Outputs that would click (recall, input, delay, crossover, polarity) are muted first where
they sound; what will sound and gets louder starts low and is ramped once it sounds; a level that falls does so at
once; whoever muted for another reason than us is left alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from fleet.model.description import Description
from fleet.model.plan import DevicePlan, Phase, Target, Work
from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.reconcile.brackets import bracket, mute_work
from fleet.reconcile.checkpoints import checkpoint, undo_of
from fleet.reconcile.exact import same_setting
from fleet.reconcile.ramps import Ramp, ramp_work, ramps
from fleet.reconcile.recalled import after_recall

NOTHING = OutputSettings()


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


def reach(
    reported: Reported,
    goal: Goal,
    positions: tuple[tuple[str, str], ...],
    *,
    stages: bool,
    timer: bool = True,
    mute_for_recall: bool = True,
) -> DevicePlan | None:
    """One device's part of a plan, or `None` where it already is as the goal wants it.

    `stages` and `timer` tell what the device can do for a change; without `mute_for_recall` a recall mutes only what
    it would make click or jump.
    """
    recalled = after_recall(reported, goal.recall)
    final = _with_held(reported, goal)
    writes = _lasting(reported.description, recalled, final)
    recalls = goal.recall is not None
    muting = bracket(reported, recalled, writes, goal.live, recalls=recalls, mute_for_recall=mute_for_recall)
    rising = ramps(reported, recalled, final, muting)
    first = _from_the_starts(reported.description, recalled, writes, rising)
    work: dict[Phase, Work] = {}
    if muting.mute:
        work[Phase.MUTE] = mute_work(muting.mute, muted=True)
    if recalls:
        work[Phase.RECALL] = Work(recall=goal.recall)
    if not first.empty():
        work[Phase.SET] = Work(settings=first)
    if goal.store:
        work[Phase.STORE] = Work(slot_contents=goal.store)
    if muting.unmute:
        work[Phase.UNMUTE] = mute_work(muting.unmute, muted=False)
    work |= ramp_work(rising)
    if not work:
        return None
    live = _target_live(reported, final, recalled if recalls else DeviceSettings(), muting.unmute, rising)
    after = Target(active_slot=goal.recall, live=live, stored=goal.store)
    before = checkpoint(reported, work)
    return DevicePlan(
        device=reported.state.id,
        positions=positions,
        expect=reported.state.moment,
        work=work,
        before=before,
        after=after,
        quiet=_quiet(after, muting.unmute, rising),
        undo=undo_of(before),
        stages=stages,
        timer=timer,
    )


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


def _from_the_starts(
    description: Description, recalled: DeviceSettings, writes: DeviceSettings, rising: Mapping[int, Ramp]
) -> DeviceSettings:
    """The writes of the set phase: levels that are ramped are brought to the start of their ramp."""
    outputs = dict(writes.outputs)
    for number, rise in rising.items():
        have_db = recalled.outputs.get(number, NOTHING).level_db
        there = same_setting(description, number, "level_db", rise.start_db, have_db)
        start_db = None if there else rise.start_db
        outputs[number] = replace(outputs.get(number, NOTHING), level_db=start_db)
    return replace(writes, outputs={n: s for n, s in sorted(outputs.items()) if s.given()})


def _target_live(
    reported: Reported,
    final: DeviceSettings,
    brought: DeviceSettings,
    unmute: Collection[int],
    rising: Mapping[int, Ramp],
) -> DeviceSettings:
    """What can be read back afterwards: the goal, what is held, what a readable slot brings, and where ramps end."""
    moved = {n: s.only(STORABLE) for n, s in brought.outputs.items()}
    live = final.over(DeviceSettings(input=brought.input, outputs=moved))
    outputs = dict(live.outputs)
    for number in {*outputs, *unmute}:
        settings = outputs.get(number, NOTHING)
        if number in unmute:
            outputs[number] = replace(settings, mute=False)
        elif settings.mute is False and reported.state.output(number).mute:
            outputs[number] = replace(settings, mute=None)  # others muted it: it stays so, and that is no failure
    for number, rise in rising.items():
        outputs[number] = replace(outputs.get(number, NOTHING), level_db=rise.steps_db[-1])
    return replace(live, outputs=outputs)


def _quiet(after: Target, unmute: Collection[int], rising: Mapping[int, Ramp]) -> Target:
    """What can be read back before anything is unmuted or ramped."""
    outputs = dict(after.live.outputs)
    for number in unmute:
        outputs[number] = replace(outputs[number], mute=True)
    for number, rise in rising.items():
        outputs[number] = replace(outputs[number], level_db=rise.start_db)
    return Target(active_slot=after.active_slot, live=replace(after.live, outputs=outputs))
