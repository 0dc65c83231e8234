"""Whether a device can take another's place: settings fitted to it, and what is lost, in audible terms. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from fleet.acoustics.response import magnitude_db
from fleet.errors import BadInput
from fleet.model.description import CrossoverAbility, Description, OutputDescription
from fleet.model.difference import Grade
from fleet.model.edge import plain
from fleet.model.names import shown
from fleet.model.settings import NO_FILTER, Band, Crossover, DeviceSettings, NoFilter, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position, TargetCurve, Venue
from fleet.reconcile.alignment import alignment_delay_ms
from fleet.reconcile.chains import eq_sections, grid_hz
from fleet.reconcile.compare import compare
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.fitted import target_fit
from fleet.reconcile.wanted import Represent, WantedDevice, WantedOutput
from fleet.reconcile.words import SETTING_WORDS, db, hz, listed, number

NARROWER: Final = 1.1
"""A passband that ends so many times sooner is heard (common practice, no published source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """What a position loses by another device. A serious one keeps a device out unless a person takes it as it is."""

    position: str
    words: str
    serious: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A position's desired settings as another device can hold them.

    `members` are what its place in the room file has to say so (`None` takes a member out): only what that device
    cannot hold as it is written.
    """

    members: Mapping[str, Any] = field(default_factory=dict)
    losses: tuple[Loss, ...] = ()


def fit(
    venue: Venue,
    position: Position,
    reported: Reported,
    old: Description | None,
    latencies_ms: Mapping[str, float],
    represent: Represent,
) -> Fitted:
    """A position (bound to its device as `venue` has it) fitted to the device that reports.

    `old` is what its device so far was, where that is known; `latencies_ms` by device id, the new one's among them.
    The device has the position's output. Raises `BadInput` for a wish that cannot be written otherwise.
    """
    description = reported.description
    able = description.output(position.output)
    assert able is not None
    members: dict[str, Any] = {}
    losses: list[Loss] = []

    def lose(words: str, *, serious: bool) -> None:
        losses.append(Loss(position=position.name, words=words, serious=serious))

    ideal = position.fixed
    if position.time_align is not None:
        try:
            ideal = replace(ideal, delay_ms=alignment_delay_ms(venue.rooms[position.room], position.name, latencies_ms))
        except BadInput as error:
            members |= {"delay_ms": 0.0, "time_align": None}
            lose(f"its delay cannot be computed: {error}", serious=True)
    fitted = ideal
    if position.target is not None:
        best = _best_fit(position, description)
        if best is None:
            pass  # it is made as wanted
        else:
            bands, off = best
            fitted, ideal = replace(fitted, eq=bands), replace(ideal, eq=None)
            members["eq"] = bands
            lose(f"target curve: {off}", serious=False)
    for name in ideal.given():
        value = getattr(ideal, name)
        if not _holds(represent, description, position.output, name, value):
            kept = _nearest(able, description, name, value)
            fitted = replace(fitted, **{name: kept})
            members[name] = kept
    if "level_db" in members:
        members["trim_db"] = None
        if (short := (ideal.level_db or 0.0) - members["level_db"]) > ROUNDING:
            lose(f"cannot reach the level: {db(short)} too quiet", serious=True)
    if "delay_ms" in members:
        members["time_align"] = None
    allowed = position.between.get("level_db")
    if allowed is not None and allowed.low > able.level_db.max + ROUNDING:
        lose(f"cannot reach the level: {db(allowed.low - able.level_db.max)} too quiet", serious=True)
        members |= {"level_db": able.level_db.max, "trim_db": None}
    losses += _heard(position, ideal, fitted, reported)
    losses += _unprotected(position, able, fitted)
    losses += _narrower(position, able, old)
    _wide(position, reported, members, lose)
    return Fitted(members={name: _written(value) for name, value in members.items()}, losses=tuple(losses))


def unlike(old: Description | None, new: Description) -> tuple[str, ...]:
    """In what two devices are of different kinds or makes, in words; empty for equal ones."""
    if old is None:
        return ("what the old device could do is not known",)
    found = []
    if old.model != new.model:
        found.append(f"another model: {shown(new.model)} for {shown(old.model)}, whose own sound may differ")
    if old.firmware != new.firmware:
        found.append(f"firmware {shown(new.firmware) or 'not told'} for {shown(old.firmware) or 'not told'}")
    return tuple(found)


def slot_for(position: Position, description: Description) -> tuple[int | None, str]:
    """The house-curve slot for a position in a device, and why it is not the one that was wanted (empty: it is).

    Raises `BadInput` where a slot is wanted and the device has none that can be written.
    """
    wanted, slots = position.slot_for(description.model), description.slots
    if wanted is None:
        return None, "no slot is wanted of this model: a recall does not bring it back" if position.slots else ""
    if 1 <= wanted <= slots.count and wanted not in slots.factory:
        return wanted, ""
    own = [n for n in range(1, slots.count + 1) if n not in slots.factory]
    model = shown(description.model)
    if not own:
        raise BadInput(
            f"{model} has no slot that could hold the house curve",
            remedy="Give the room `slots:` by model in its `house_curve`, without this one.",
        )
    why = "is the factory's" if wanted <= slots.count else "is not there"
    return own[-1], f"slot {wanted} of {model} {why}: the house curve goes to slot {own[-1]}"


def _holds(represent: Represent, description: Description, output: int, name: str, value: object) -> bool:
    try:
        represent(description, DeviceSettings(outputs={output: OutputSettings(**{name: value})}))  # type: ignore[arg-type]  # by name
    except BadInput:
        return False
    return True


def _nearest(able: OutputDescription, description: Description, name: str, value: Any) -> Any:
    """What comes nearest to a setting that the output cannot hold."""
    match name:
        case "level_db":
            return able.level_db.nearest(value)
        case "delay_ms":
            return able.delay_ms.nearest(value) if able.delay_ms is not None else 0.0
        case "eq":
            return _refitted(able, description, value)
        case "high_pass":
            return _nearest_filter(able.high_pass, value)
        case "low_pass":
            return _nearest_filter(able.low_pass, value)
        case _:
            return "normal"  # of what is left only a polarity can be more than an output can do


def _refitted(able: OutputDescription, description: Description, bands: tuple[Band, ...]) -> tuple[Band, ...]:
    """Fewer or other bands with the response of these."""
    points_hz = grid_hz(description.sample_rate_hz)
    made_db = magnitude_db(eq_sections([bands], description.sample_rate_hz), points_hz, description.sample_rate_hz)[0]
    points = tuple((float(f), float(d)) for f, d in zip(points_hz, np.asarray(made_db), strict=True))
    stand_in = Position(
        name="eq", room="eq", device=description.id, output=able.output, target=TargetCurve(points=points)
    )
    best = _best_fit(stand_in, description, always=True)
    return best[0] if best is not None else ()


def _best_fit(
    position: Position, description: Description, *, always: bool = False
) -> tuple[tuple[Band, ...], str] | None:
    """The bands that come nearest to a target, where it is not made within tolerance, and how far off they are."""
    able = description.output(position.output)
    own = (position.fixed.eq or ())[: able.eq.bands if able and able.eq else 0]
    position = replace(position, fixed=replace(position.fixed, eq=own))
    if not always:
        try:
            target_fit(position, description)
        except BadInput:
            pass
        else:
            return None
    lenient = replace(position, tolerances=replace(position.tolerances, eq_db=math.inf))
    made = target_fit(lenient, description)
    if made is None:
        return None
    bands = (*made.bands, *own) if able and able.eq else ()
    return bands, f"at most {db(made.worst_error_db)} off at {hz(made.worst_at_hz)}"


def _nearest_filter(able: CrossoverAbility | None, wanted: Crossover) -> Crossover | NoFilter:
    """The same family and slope where they are offered, else the nearest slope; none where there are no filters."""
    offered = [(family, slope) for family, slopes in able.slopes.items() for slope in slopes] if able else []
    if able is None or not offered:
        return NO_FILTER
    family, slope = min(
        offered,
        key=lambda o: (
            o[1] != wanted.slope_db_per_octave,
            o[0] != wanted.family,
            abs(o[1] - wanted.slope_db_per_octave),
        ),
    )
    return Crossover(
        family=family,
        slope_db_per_octave=slope,  # type: ignore[arg-type]  # the description offers it
        frequency_hz=able.frequency_hz.nearest(wanted.frequency_hz),
    )


def _heard(position: Position, ideal: OutputSettings, fitted: OutputSettings, reported: Reported) -> Iterator[Loss]:
    """What would differ from the desired settings, by the comparator; a filter that is not as wanted is serious."""
    output = position.output
    sounding = reported.state.output(output)
    live = fitted.over(sounding)
    now = replace(reported.state, live=replace(reported.state.live, outputs={output: replace(live, mute=ideal.mute)}))
    wanted = WantedDevice(
        device=reported.description.id,
        description=reported.description,
        outputs={output: WantedOutput(position=position, settings=replace(ideal, mute=None))},
    )
    for found in compare([(wanted, replace(reported, state=now))]).differences:
        if found.setting != "level_db" and found.grade >= Grade.AUDIBLE:
            yield Loss(position=position.name, words=found.words, serious=found.grade is Grade.SERIOUS)


def _unprotected(position: Position, able: OutputDescription, fitted: OutputSettings) -> Iterator[Loss]:
    limit_hz = able.protective_high_pass_hz
    if limit_hz is None or fitted.high_pass is None:
        return
    corner_hz = fitted.high_pass.frequency_hz if isinstance(fitted.high_pass, Crossover) else 0.0
    if corner_hz < limit_hz:
        words = f"no protective high-pass: this model needs one at {number(limit_hz)} Hz or higher"
        yield Loss(position=position.name, words=words, serious=True)


def _narrower(position: Position, able: OutputDescription, old: Description | None) -> Iterator[Loss]:
    before = old.output(position.output) if old is not None else None
    if before is None:
        return
    (low_hz, high_hz), (old_low_hz, old_high_hz) = able.passband_hz, before.passband_hz
    if low_hz > old_low_hz * NARROWER:
        yield Loss(position=position.name, words=f"plays from {hz(low_hz)} up, the old one from {hz(old_low_hz)}")
    if high_hz * NARROWER < old_high_hz:
        yield Loss(position=position.name, words=f"plays up to {hz(high_hz)}, the old one to {hz(old_high_hz)}")


def _wide(position: Position, reported: Reported, members: dict[str, Any], lose: Any) -> None:
    """Settings of the device as a whole."""
    description = reported.description
    if position.input is not None and position.input not in description.inputs:
        members["input"] = reported.state.live.input
        there = listed([shown(name) for name in description.inputs]) or "one fixed input"
        lose(f"no input {shown(position.input)}: it has {there}", serious=True)
    if position.panel_locked and not description.panel_lock:
        members["panel_locked"] = False
        lose(f"{SETTING_WORDS['panel_locked']}: its panel cannot be locked", serious=False)
    slot, why = slot_for(position, description)
    if why:
        lose(why, serious=False)
    if slot is not None and slot != position.slot_for(description.model):
        members["slot"] = slot


def _written(value: Any) -> Any:
    """A setting as a room file has it."""
    if isinstance(value, tuple):
        return [_written(band) for band in value]
    if isinstance(value, Band):
        data = plain(value)
        if value.shape in ("notch", "all_pass"):
            del data["gain_db"]
        return data
    return plain(value) if isinstance(value, Crossover) else value
