"""What of a room was desired otherwise before: two versions of it, position by position, in words. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from fleet.model.description import Description
from fleet.model.listing import counted
from fleet.model.settings import DEVICE_SETTINGS, DeviceSettings, OutputSettings
from fleet.model.state import Moment, Reported, State
from fleet.model.venue import Between, Position, Room, Venue
from fleet.reconcile.as_of import room_then
from fleet.reconcile.compare import compare
from fleet.reconcile.wanted import Represent, WantedDevice, WantedOutput
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.reconcile.words import SETTING_WORDS, number, raw

DESIRED = ("fixed", "between", "time_align", "target", "slots", *DEVICE_SETTINGS)
"""What of a position is desired of its device, in the names of `Position`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """What is desired otherwise at a position, or of the room where `position` is empty, in words."""

    position: str
    words: str


def changes_of_room(
    before: Room | None, after: Room, venue: Venue, descriptions: Mapping[str, Description], represent: Represent
) -> tuple[Changed, ...]:
    """How what is desired of a room differs from before, in the comparator's words, which call that before "wanted".

    Empty where nothing does: other things may be written otherwise in its file. Settings of a device that is not
    known cannot be compared, and are said to have changed.
    """
    if before is None:
        return (
            Changed(position="", words=f"first version with this room: {counted(len(after.positions), 'position')}"),
        )
    return (*_of_room(before, after), *_of_positions(before, after, venue, descriptions, represent))


def _of_room(before: Room, after: Room) -> Iterator[Changed]:
    if before.house_curve != after.house_curve:
        yield _room(f"house curve {after.house_curve or 'none'} (was {before.house_curve or 'none'})")
    for name in sorted({*before.modes, *after.modes}):
        if name not in before.modes or name not in after.modes:
            yield _room(f"mode {name} {'is new' if name in after.modes else 'is gone'}")
        elif _told_of(before.modes[name].positions) != _told_of(after.modes[name].positions):
            yield _room(f"mode {name} changed")


def _of_positions(
    before: Room, after: Room, venue: Venue, descriptions: Mapping[str, Description], represent: Represent
) -> Iterator[Changed]:
    was, _ = room_then(after, before)
    devices = sorted({p.device for p in after.positions.values()})
    old, wrong_old = wanted_devices(_alone(venue, was), devices, descriptions, represent)
    new, wrong_new = wanted_devices(_alone(venue, after), devices, descriptions, represent)
    found = _compared(old, new)
    for name in sorted({*before.positions, *after.positions}):
        if name not in before.positions or name not in after.positions:
            yield Changed(position=name, words="is new" if name in after.positions else "is gone")
            continue
        first, last = before.positions[name], after.positions[name]
        if (first.device, first.output) != (last.device, last.output):
            yield Changed(position=name, words=f"served by {_served(last)} (was {_served(first)})")
        if last.device in old and last.device in new:
            words = [*_ranges(first, last), *found.get(name, ())]
        elif _desired(first) != _desired(last):
            why = wrong_new.get(last.device) or wrong_old.get(last.device)
            words = [f"settings changed, which cannot be told in words: {why or f'{last.device} is not known'}"]
        else:
            words = []
        yield from (Changed(position=name, words=text) for text in words)


def _compared(old: Mapping[str, WantedDevice], new: Mapping[str, WantedDevice]) -> dict[str, list[str]]:
    """What differs by position, what only one of both manages first."""
    words: dict[str, list[str]] = {}
    pairs: list[tuple[WantedDevice, Reported]] = []
    for device in sorted(old.keys() & new.keys()):
        was, now = old[device], new[device]
        outputs: dict[int, WantedOutput] = {}
        live: dict[int, OutputSettings] = {}
        for n, output in sorted(now.outputs.items()):
            first = was.outputs.get(n)
            if first is None or first.position.name != output.position.name:
                continue
            both = _in_both(first.settings, output.settings)
            words.setdefault(output.position.name, []).extend(_managed(first, output))
            outputs[n] = replace(first, settings=first.settings.only(both), between={})
            live[n] = output.settings.only(both)
        if outputs:
            lowest = outputs[min(outputs)].position.name
            words[lowest] = [*_device_wide(was, now), *words.get(lowest, [])]
            pairs.append((_bare(was, outputs), _as_reported(now, live)))
    for difference in compare(pairs).differences:
        words.setdefault(difference.position, []).append(difference.words)
    return words


def _in_both(was: OutputSettings, now: OutputSettings) -> set[str]:
    return (set(was.given()) & set(now.given())) - {"mute"}


def _managed(was: WantedOutput, now: WantedOutput) -> Iterator[str]:
    """Settings that came to be managed or are not any more, and the mute, which the comparator sees as it sounds."""
    for name in SETTING_WORDS:
        first, last = getattr(was.settings, name, None), getattr(now.settings, name, None)
        ranged = name in was.between or name in now.between
        if first == last or ranged or (name != "mute" and None not in (first, last)):
            continue
        yield f"{SETTING_WORDS[name]} {_value(name, last)} (was {_value(name, first)})"


def _device_wide(was: WantedDevice, now: WantedDevice) -> Iterator[str]:
    for name, word in (("slot", "house-curve slot"), *((n, SETTING_WORDS[n]) for n in DEVICE_SETTINGS)):
        first, last = getattr(was, name), getattr(now, name)
        if first != last:
            yield f"{word} {_value(name, last)} (was {_value(name, first)})"


def _ranges(first: Position, last: Position) -> Iterator[str]:
    for name in sorted({*first.between, *last.between}):
        if first.between.get(name) != last.between.get(name):
            now = _range(name, last.between.get(name), last)
            yield f"{SETTING_WORDS[name]} {now} (was {_range(name, first.between.get(name), first)})"


def _range(name: str, between: Between | None, position: Position) -> str:
    if between is None:
        return _value(name, getattr(position.fixed, name))
    return f"from {number(between.low)} to {number(between.high)} {'ms' if name.endswith('_ms') else 'dB'}"


def _value(name: str, value: object) -> str:
    return "not managed" if value is None else str(value) if name == "slot" else raw(name, value)


def _bare(want: WantedDevice, outputs: Mapping[int, WantedOutput]) -> WantedDevice:
    """The wish for these outputs alone: what a device has once is told apart."""
    return WantedDevice(device=want.device, description=want.description, outputs=outputs)


def _as_reported(want: WantedDevice, live: Mapping[int, OutputSettings]) -> Reported:
    """A wish as if a device reported it."""
    state = State(
        id=want.device,
        serial=want.description.serial,
        moment=Moment(boot_id="desired", revision=0),
        boot_count=0,
        uptime_ms=0.0,
        live=DeviceSettings(outputs=live),
    )
    return Reported(description=want.description, state=state, slots={})


def _alone(venue: Venue, room: Room) -> Venue:
    return replace(venue, rooms={room.name: room})


def _told_of(positions: Mapping[str, Position]) -> dict[str, tuple[object, ...]]:
    return {name: _desired(p) for name, p in positions.items()}


def _desired(position: Position) -> tuple[object, ...]:
    return tuple(getattr(position, name) for name in DESIRED)


def _served(position: Position) -> str:
    return position.device if position.output == 1 else f"{position.device} output {position.output}"


def _room(words: str) -> Changed:
    return Changed(position="", words=words)
