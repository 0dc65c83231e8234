"""Read-back: what of a target is not so in what a device reports. Exact, without tolerances."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fleet.model.description import Description
from fleet.model.plan import Target
from fleet.model.settings import DEVICE_SETTINGS, OutputSettings
from fleet.model.state import OURS_OR_PANEL, Reported, State
from fleet.reconcile.exact import same_setting
from fleet.reconcile.words import SETTING_WORDS, raw


def deviations(target: Target, reported: Reported) -> tuple[str, ...]:
    """What is not as the target says, a sentence each; empty where all is.

    Numbers count as equal within half a step of the device. Slot contents are checked where they can be read. An
    output that should not be muted may still be by an external contact or an alarm: those mutes are not ours.
    """
    return tuple(_deviations(target, reported))


def readable(reported: Reported, slot: int) -> bool:
    """Whether a device tells what a slot holds now."""
    return slot in reported.slots and reported.slots[slot].outputs is not None


def _deviations(target: Target, reported: Reported) -> Iterator[str]:
    description, state = reported.description, reported.state
    if target.active_slot is not None and state.active_slot != target.active_slot:
        yield _sentence("", "slot", target.active_slot, state.active_slot)
    for name in DEVICE_SETTINGS:
        wanted, found = getattr(target.live, name), getattr(state.live, name)
        if wanted is not None and wanted != found:
            yield _sentence("", name, wanted, found)
    for number, settings in sorted(target.live.outputs.items()):
        if settings.mute is not None and not _muted_as_wanted(state, number, muted=settings.mute):
            yield f"output {number} is {'not muted' if settings.mute else 'muted'}"
    yield from _unequal("", description, target.live.outputs, state.live.outputs)
    for contents in target.stored:
        found_slot = reported.slots.get(contents.slot)
        if found_slot is None or found_slot.outputs is None or contents.outputs is None:
            continue
        if contents.input is not None and contents.input != found_slot.input:
            yield _sentence(f"slot {contents.slot}: ", "input", contents.input, found_slot.input)
        yield from _unequal(f"slot {contents.slot}: ", description, contents.outputs, found_slot.outputs)


def _unequal(
    where: str, description: Description, wanted: Mapping[int, OutputSettings], found: Mapping[int, OutputSettings]
) -> Iterator[str]:
    for number, settings in sorted(wanted.items()):
        reported = found.get(number, OutputSettings())
        for name in settings.given():
            value, other = getattr(settings, name), getattr(reported, name)
            if name != "mute" and not same_setting(description, number, name, value, other):
                yield _sentence(f"{where}output {number}: ", name, value, other)


def _muted_as_wanted(state: State, number: int, *, muted: bool) -> bool:
    causes = set(state.mute_causes.get(number, ()))
    found = state.output(number).mute
    if muted:
        return found is True
    return found is False or (bool(causes) and not causes & OURS_OR_PANEL)


def _sentence(where: str, setting: str, wanted: object, found: object) -> str:
    return f"{where}{SETTING_WORDS[setting]} is {raw(setting, found)}, should be {raw(setting, wanted)}"
