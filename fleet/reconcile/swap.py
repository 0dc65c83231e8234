"""Whether a device can take another's place: settings fitted to it, and what is lost by that. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fleet.errors import BadInput
from fleet.model.description import Description
from fleet.model.edge import plain
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import Band, Crossover
from fleet.model.state import Reported
from fleet.model.venue import Position, Venue
from fleet.reconcile.alignment import alignment_delay_ms
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.swap_losses import Loss, heard, narrower, unprotected
from fleet.reconcile.swap_nearest import best_fit, holds, nearest
from fleet.reconcile.wanted import Represent
from fleet.reconcile.words import SETTING_WORDS, db


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
        best = best_fit(position, description)
        if best is None:
            pass  # it is made as wanted
        else:
            bands, off = best
            fitted, ideal = replace(fitted, eq=bands), replace(ideal, eq=None)
            members["eq"] = bands
            lose(f"target curve: {off}", serious=False)
    for name in ideal.given():
        value = getattr(ideal, name)
        if not holds(represent, description, position.output, name, value):
            kept = nearest(able, description, name, value)
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
    losses += heard(position, ideal, fitted, reported)
    losses += unprotected(position, able, fitted)
    losses += narrower(position, able, old)
    _wide(position, reported, members, lose)
    return Fitted(members={name: _written(value) for name, value in members.items()}, losses=tuple(losses))


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
