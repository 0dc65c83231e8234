"""Agreed deviations: which differences they cover, and what a plan leaves as it is because of them. Pure.

A deviation binds to what was found when it was agreed. Where the setting is another one by now, beyond the tolerance
of its position, it is a difference again, whichever way it moved.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Comparison, Difference, Grade, Subject
from fleet.model.settings import OUTPUT_SETTINGS, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.brief import names_of
from fleet.reconcile.compare import compare
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Place, place
from fleet.reconcile.wanted import WantedDevice, WantedOutput

NOTHING = OutputSettings()
FILTERS = frozenset({"eq", "high_pass", "low_pass"})
"""Settings whose values are no sentence."""


def marked(
    comparison: Comparison,
    deviations: Iterable[AgreedDeviation],
    positions: Iterable[Position],
    reported: Mapping[str, Reported],
) -> Comparison:
    """The same comparison, the differences that are agreed marked as such. `deviations` are those that stand now."""
    by_key = {deviation.key: deviation for deviation in deviations}
    if not by_key:
        return comparison
    by_place = {place(p): p for p in positions}

    def mark(difference: Difference) -> Difference:
        deviation = by_key.get(_key(difference))
        position = by_place.get((difference.room, difference.position))
        if deviation is None or position is None or difference.device not in reported:
            return difference
        binds = is_as_agreed(deviation, position, reported[difference.device])
        return replace(difference, agreed=deviation.agreed) if binds else difference

    return replace(comparison, differences=tuple(mark(d) for d in comparison.differences))


def marked_devices(
    comparison: Comparison, deviations: Iterable[AgreedDeviation], reported: Mapping[str, Reported]
) -> Comparison:
    """The same where devices stand in the place of positions, one `output-N` for each output (see `against`)."""
    moved = [replace(d, room=d.device, position=f"output-{d.output}") for d in deviations]
    outputs = [Position(name=d.position, room=d.device, device=d.device, output=d.output) for d in moved]
    return marked(comparison, moved, outputs, reported)


def is_as_agreed(deviation: AgreedDeviation, position: Position, reported: Reported) -> bool:
    """Whether a setting still is what was agreed, within the tolerance of its position."""
    if deviation.active_slot is not None:
        return reported.state.active_slot == deviation.active_slot
    if deviation.slot is not None and not _readable(reported, deviation.slot):
        return False
    wish = _as_wish(deviation, position, reported)
    found = compare([(wish, reported)]).differences
    return not any(d.grade >= Grade.AUDIBLE or d.setting not in OUTPUT_SETTINGS for d in found)


def value_of(difference: Difference, reported: Reported) -> tuple[DeviceSettings, int | None] | None:
    """What a deviation that is agreed now binds to: one setting, or the active slot; `None` where it is not told."""
    if difference.setting == "slot":
        slot = reported.state.active_slot
        return None if slot is None else (DeviceSettings(), slot)
    held = _held(difference, reported)
    if held is None:
        return None
    if difference.setting in OUTPUT_SETTINGS:
        one = held.outputs.get(difference.output, NOTHING).only([difference.setting])
        return (DeviceSettings(outputs={difference.output: one}), None) if one.given() else None
    value = getattr(held, difference.setting)
    return None if value is None else (DeviceSettings(**{difference.setting: value}), None)


def left_as_agreed(outlook: Outlook) -> Outlook:
    """The outlook in which what is agreed, and still is so, is what is wanted; `kept` says in words what that is.

    Plans that are made from it leave agreed deviations as they are, and write one back where a recall would move it.
    """
    by_place = {place(p): p for p in outlook.venue.positions()}
    wants = dict(outlook.wants)
    kept: dict[Place, list[AgreedDeviation]] = {}
    for deviation in outlook.agreed:
        position = by_place.get((deviation.room, deviation.position))
        if position is None or position.life_safety or position.device not in outlook.reported:
            continue
        want, reported = wants.get(position.device), outlook.reported[position.device]
        if want is None or position.output not in want.outputs or not is_as_agreed(deviation, position, reported):
            continue
        if deviation.subject == "stored" and (want.stored is None or want.stored.slot != deviation.slot):
            continue
        wants[position.device] = _wanting(want, deviation, position.output)
        kept.setdefault(place(position), []).append(deviation)
    told = {at: tuple(_words(ones)) for at, ones in kept.items()}
    return replace(outlook, wants=wants, kept=told) if kept else outlook


def kept_notes(outlook: Outlook, places: Iterable[Place]) -> tuple[str, ...]:
    """What a plan for these places leaves as it is because somebody signed for it, in words."""
    return tuple(f"{place[1]}: {words}" for place in sorted(places) for words in outlook.kept.get(place, ()))


def _key(d: Difference) -> tuple[str, str, Subject, str, int | None]:
    return d.room, d.position, d.subject, d.setting, d.slot


def _held(difference: Difference, reported: Reported) -> DeviceSettings | None:
    """The settings that a difference is about, whole: live ones, or those of the slot."""
    if difference.subject == "live":
        return reported.state.live
    if difference.slot is None or not _readable(reported, difference.slot):
        return None
    contents = reported.slots[difference.slot]
    return DeviceSettings(input=contents.input, outputs=contents.outputs or {})


def _readable(reported: Reported, slot: int) -> bool:
    return slot in reported.slots and reported.slots[slot].outputs is not None


def _as_wish(deviation: AgreedDeviation, position: Position, reported: Reported) -> WantedDevice:
    """A wish for what was agreed and nothing else. Order of arrival is no matter here: only the tolerance is."""
    settings = deviation.settings.outputs.get(deviation.output, NOTHING)
    bare = replace(position, between={}, time_align=None, life_safety=False)
    live = deviation.subject == "live"
    output = WantedOutput(position=bare, settings=settings if live else NOTHING)
    wish = WantedDevice(device=position.device, description=reported.description, outputs={position.output: output})
    if not live:
        assert deviation.slot is not None
        stored = SlotContents(slot=deviation.slot, input=deviation.settings.input, outputs={position.output: settings})
        return replace(wish, stored=stored)
    return replace(wish, **{name: getattr(deviation.settings, name) for name in deviation.settings.given()})


def _wanting(want: WantedDevice, deviation: AgreedDeviation, output: int) -> WantedDevice:
    """The wish with the agreed value in the place of the desired one."""
    if deviation.active_slot is not None:
        return replace(want, kept_slot=deviation.active_slot)
    settings = deviation.settings.outputs.get(deviation.output, NOTHING)
    if deviation.subject == "stored":
        stored = want.stored
        assert stored is not None
        outputs = {**(stored.outputs or {})}
        outputs[output] = settings.over(outputs.get(output, NOTHING))
        kept_input = deviation.settings.input if deviation.settings.input is not None else stored.input
        return replace(want, stored=replace(stored, input=kept_input, outputs=outputs))
    one = want.outputs[output]
    between = {name: b for name, b in one.between.items() if name not in settings.given()}
    changed = replace(one, settings=settings.over(one.settings), between=between)
    wide = {name: getattr(deviation.settings, name) for name in deviation.settings.given()}
    return replace(want, outputs={**want.outputs, output: changed}, **wide)


def _words(deviations: Iterable[AgreedDeviation]) -> Iterator[str]:
    """What stays at a position, a sentence for all that was signed for together."""
    by_terms: dict[str, list[AgreedDeviation]] = {}
    for one in deviations:
        terms = f"as agreed by {one.owner} until {one.until.isoformat()} ({one.reason})"
        by_terms.setdefault(terms, []).append(one)
    for terms, ones in by_terms.items():
        names = names_of((d.setting, d.slot if d.subject == "stored" else None) for d in ones)
        if len(ones) > 1:
            yield f"{names} stay as they are, {terms}"
        elif ones[0].setting in FILTERS:
            yield f"{names} stays as it is, {terms}"
        else:
            yield f"{names} stays {ones[0].found} instead of {ones[0].wanted}, {terms}"
