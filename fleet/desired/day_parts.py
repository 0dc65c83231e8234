"""What selects a room's mode, as files write it: a schedule, and contacts on the broker."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import time
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag

from fleet.desired.kinds import NameText, NotNegativeNumber, Text, Truth, said, tagged, text_of
from fleet.desired.parts import Part
from fleet.model.days import EVERY_DAY, Contact, Scheduled
from fleet.model.names import shown
from fleet.model.topics import DEFAULT_ROOT, inside

DayName = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
DAY_NAMES: Final[tuple[DayName, ...]] = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)
Span = Literal["weekdays", "weekend"]
SPANS: Final[dict[Span, tuple[int, ...]]] = {"weekdays": (0, 1, 2, 3, 4), "weekend": (5, 6)}
LONGEST_VALUE: Final = 64
"""Characters of a contact's value; a longer payload is none that a file names."""

_CLOCK: Final = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")


def _clock_time(text: str) -> str:
    if not _CLOCK.fullmatch(text):
        raise said(f"is no time of day: `{shown(text)}`; write one from 00:00 to 23:59, like `07:30`")
    return text


def _value(text: str) -> str:
    if not text.strip() or len(text) > LONGEST_VALUE:
        raise said(f"is no value of a contact: it has 1 to {LONGEST_VALUE} characters")
    return text


def _topic(text: str) -> str:
    if any(sign in text for sign in "+#"):
        raise said(f"has a wildcard (`+` or `#`): `{shown(text)}`; name one topic")
    if text.startswith(("$", "/")) or text.endswith("/") or not text.isprintable():
        raise said(f"is no topic of a contact: `{shown(text)}`; write one like `building/partition-1`")
    if inside(text, DEFAULT_ROOT):
        raise said(f"is inside `{DEFAULT_ROOT}`, where the devices are: `{shown(text)}`; use a topic of its own")
    return text


ClockTime = Annotated[Text, AfterValidator(_clock_time)]
"""A time of day on the venue's clock, to the minute."""
DayText = Annotated[DayName, BeforeValidator(text_of)]
Days = Annotated[
    Annotated[Span, BeforeValidator(text_of), Tag("<word>")]
    | Annotated[list[DayText], Field(min_length=1, max_length=7), Tag("<days>")],
    Discriminator(tagged("<word>", sequence="<days>")),
]
"""Days of the week: a list of names, `weekdays` or `weekend`."""


class ScheduledPart(Part):
    """A mode that the room comes into at a time."""

    at: ClockTime = Field(description="Time on the venue's clock, as in `07:30`.")
    days: Days | None = Field(
        default=None, description="`weekdays`, `weekend` or a list of days, as in `[monday, friday]`; else every day."
    )
    mode: NameText = Field(description="Mode of this room, or `house` for none.")


class ContactPart(Part):
    """A partition contact or a wall panel that writes what it is at to a topic on the devices' broker."""

    topic: Annotated[Text, AfterValidator(_topic)] = Field(description="Topic, as in `building/partition-1`.")
    modes: Annotated[dict[Annotated[str, AfterValidator(_value)], NameText], Field(min_length=1, max_length=50)] = (
        Field(description="The mode of this room for each value, as in `{open: combined, closed: divided}`.")
    )
    settle_s: Annotated[NotNegativeNumber, Field(le=60)] = Field(
        default=2.0, description="Seconds that a value has to stand before it counts."
    )
    repeats: Truth = Field(
        default=False,
        description="Whether a value that is told again counts again, as a button means it; a contact that now and "
        "then tells what it is at does not.",
    )


ScheduleList = Annotated[list[ScheduledPart], Field(max_length=200)]
ContactList = Annotated[list[ContactPart], Field(max_length=50)]


def time_of_day(text: str) -> time:
    """A `ClockTime` as a time."""
    return time.fromisoformat(text)


def days_of(days: Span | Collection[DayName] | None) -> tuple[int, ...]:
    """`Days` as numbers, Monday 0, each once; every day for `None`."""
    if days is None:
        return EVERY_DAY
    if isinstance(days, str):
        return SPANS[days]
    return tuple(sorted({DAY_NAMES.index(day) for day in days}))


def scheduled_of(part: ScheduledPart) -> Scheduled:
    """An entry of a schedule."""
    return Scheduled(at=time_of_day(part.at), mode=part.mode, days=days_of(part.days))


def contact_of(part: ContactPart) -> Contact:
    """A contact."""
    return Contact(topic=part.topic, modes=dict(part.modes), settle_s=part.settle_s, repeats=part.repeats)
