"""Types of passive loudspeakers as the venue file writes them, and the lines of positions that name them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Annotated, TypeAlias

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag

from fleet.desired.kinds import Decibel, PositiveNumber, SlotText, Text, entries, said, wants
from fleet.desired.nodes import Trail
from fleet.desired.parts import Part
from fleet.desired.scalars import Scalar
from fleet.desired.surroundings import LinePart, LoudspeakersPart
from fleet.desired.wording import hint, quoted
from fleet.model.passive import Line, LineLoudspeakers, LoudspeakerType, Signed

Types: TypeAlias = Mapping[str, LoudspeakerType | None]
"""Loudspeaker types by name; `None` for one that is broken, which is complained of where it is written."""


def _slot_or_name(value: object) -> str:
    """Which branch a preset is: a number is a slot's, anything else its name."""
    plain = isinstance(value, Scalar) and isinstance(value.value, int) and not isinstance(value.value, bool)
    return "<number>" if plain else "<word>"


def _scalar(value: object) -> object:
    if isinstance(value, Scalar) and value.value is not None:
        return value
    raise wants("the number or the name of a preset slot", value)


def _rising(bounds: list[float]) -> list[float]:
    if bounds[0] >= bounds[1]:
        raise said(f"wants the lower frequency first, got {bounds[0]:g} and {bounds[1]:g}")
    return bounds


Preset = Annotated[
    Annotated[SlotText, Tag("<number>")] | Annotated[Text, Tag("<word>")],
    Discriminator(_slot_or_name),
    BeforeValidator(_scalar),
]
Passband = Annotated[
    list[PositiveNumber],
    Field(min_length=2, max_length=2),
    AfterValidator(_rising),
    entries(2, "lowest and highest frequency in Hz"),
]


class LoudspeakerTypePart(Part):
    """A passive loudspeaker as its data sheet has it."""

    impedance_ohm: PositiveNumber | None = Field(default=None, description="Rated impedance in ohm.")
    power_w: PositiveNumber | None = Field(default=None, description="Continuous power that it stands, in W.")
    protective_high_pass_hz: PositiveNumber | None = Field(
        default=None, description="Lowest high-pass in Hz that its amplifier must have, so that it is not harmed."
    )
    passband_hz: Passband | None = Field(default=None, description="Lowest and highest useful frequency in Hz.")
    amplifier_preset: Preset | None = Field(
        default=None, description="Preset slot, by number or name, that an amplifier which drives it must be in."
    )
    sensitivity_db: Decibel | None = Field(default=None, description="Level at 1 m with 1 W, in dB.")


def type_of(name: str, part: LoudspeakerTypePart) -> LoudspeakerType:
    """A type by its name."""
    band = part.passband_hz
    return LoudspeakerType(
        name=name,
        impedance_ohm=part.impedance_ohm,
        power_w=part.power_w,
        protective_high_pass_hz=part.protective_high_pass_hz,
        passband_hz=(band[0], band[1]) if band else None,
        amplifier_preset=part.amplifier_preset,
        sensitivity_db=part.sensitivity_db,
    )


def line_of(part: LinePart | None, types: Types, path: Trail, complain: Callable[[Trail, str], None]) -> Line | None:
    """The line behind an output, its loudspeakers with what their types say. Unknown types are complained of."""
    if part is None:
        return None
    loudspeakers = []
    for number, each in enumerate(part.loudspeakers):
        where = (*path, "loudspeakers", number)
        if each.type is not None and each.type not in types:
            complain((*where, "type"), f"unknown loudspeaker type {quoted(each.type)}{hint(each.type, types)}")
        kind = types.get(each.type) if each.type else None
        ohm = each.ohm if each.ohm is not None or part.volts is not None else (kind.impedance_ohm if kind else None)
        if part.volts is None and ohm is None and kind is not None:
            complain((*where, "type"), f"{quoted(kind.name)} has no `impedance_ohm`; give it there, or an `ohm` here")
        loudspeakers.append(_loudspeakers(each, kind, ohm))
    return Line(**{**part.model_dump(), "loudspeakers": tuple(loudspeakers)})


def _loudspeakers(part: LoudspeakersPart, kind: LoudspeakerType | None, ohm: float | None) -> LineLoudspeakers:
    return LineLoudspeakers(
        count=part.count,
        tap_w=part.tap_w,
        tap_volts=part.tap_volts,
        ohm=ohm,
        type=kind,
        name=part.name or "",
        set=_signed(part.set_by, part.set_on),
        checked=_signed(part.checked_by, part.checked_on),
    )


def _signed(by: str | None, on: str | None) -> Signed | None:
    return Signed(by=by, on=date.fromisoformat(on)) if by and on else None
