"""Hours of a room's days, as files write them: when devices may be off, and when drift may be put right unasked."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag

from fleet.desired.day_parts import ClockTime, Days, days_of, time_of_day
from fleet.desired.kinds import tagged, text_of
from fleet.desired.parts import Part
from fleet.model.days import Hours, SelfRepair

ALWAYS: Final = "always"


class HoursPart(Part):
    """From one time to another on the venue's clock; over midnight where the second is not later."""

    start: ClockTime = Field(description="Time on the venue's clock, as in `23:30`.")
    until: ClockTime = Field(description="Time on the venue's clock, as in `06:00`.")
    days: Days | None = Field(
        default=None, description="Days on which it starts: `weekdays`, `weekend` or a list; else every day."
    )


HoursList = Annotated[list[HoursPart], Field(max_length=20)]
OnDrift = Annotated[Literal["report", "repair"], BeforeValidator(text_of)]
NobodyNear = Annotated[
    Annotated[Annotated[Literal["always"], BeforeValidator(text_of)], Tag("<word>")]
    | Annotated[HoursPart, Tag("<hours>")],
    Discriminator(tagged("<word>", mapping="<hours>")),
]


def hours_of(part: HoursPart) -> Hours:
    """Hours on the venue's clock."""
    return Hours(start=time_of_day(part.start), until=time_of_day(part.until), days=days_of(part.days))


def self_repair_of(on_drift: str, nobody_near: HoursPart | str | None) -> SelfRepair | None:
    """Whether drift is put right unasked, and when."""
    if on_drift != "repair":
        return None
    return SelfRepair(nobody_near=hours_of(nobody_near) if isinstance(nobody_near, HoursPart) else None)
