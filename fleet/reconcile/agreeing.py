"""Agreeing to differences: what may be agreed and until when, and when it is told that it ends. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fleet.errors import BadInput, Refused
from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Comparison, Difference, Grade
from fleet.model.edge import digest, plain
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.state import Reported
from fleet.model.venue_time import end_of_day, moment_of
from fleet.reconcile.agreed import value_of
from fleet.reconcile.compare import ORDER
from fleet.reconcile.words import SETTING_WORDS

TOLD_AT: Final = time(9)
"""When it is told on the venue's clock that a deviation ends: not at midnight."""
A_WEEK: Final = timedelta(days=7)
SHOWN_FOR: Final = timedelta(days=30)
"""For so long a deviation that has ended is listed."""


def differences_named(
    comparison: Comparison, room: str, position: str, settings: Collection[str]
) -> tuple[Difference, ...]:
    """The differences of a position that are to be agreed: those of these settings, else all that count by now.

    Raises `BadInput` for a name that is no setting, and `Refused` where there is no such difference, or the position
    could not be compared.
    """
    names = frozenset(name.replace("-", "_") for name in settings)
    if unknown := sorted(names - set(ORDER)):
        raise BadInput(f"there is no setting {shown(unknown[0])!r}", remedy=f"Settings: {', '.join(ORDER)}.")
    for missed in comparison.not_checked:
        if (missed.room, missed.position) == (room, position):
            guards = ("life-safety",) if missed.reason == "life_safety" else ()
            remedy = "" if guards else "A deviation binds to what was found: bring the device back first."
            raise Refused(f"{room}/{position} cannot be compared: {missed.words}", guards=guards, remedy=remedy)
    own = [d for d in comparison.differences if (d.room, d.position) == (room, position)]
    found = [d for d in own if d.setting in names]
    if not names:
        found = [d for d in own if d.grade >= Grade.AUDIBLE and d.agreed is None]
    if absent := sorted(names - {d.setting for d in found}, key=lambda name: ORDER[name]):
        what = listed([SETTING_WORDS[name] for name in absent])
        raise Refused(f"{what} of {room}/{position} is as desired: there is nothing to agree to", remedy=_look(room))
    if not found and (agreed := [SETTING_WORDS[d.setting] for d in own if d.agreed is not None]):
        raise Refused(
            f"all that differs at {room}/{position} is agreed already: {listed(list(dict.fromkeys(agreed)))}",
            remedy="`fleet agree` lists it; name the setting to agree to it anew.",
        )
    if not found:
        raise Refused(f"{room}/{position} is as desired: there is nothing to agree to", remedy=_look(room))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """Who signs for what reason, when, and the last day on which it holds in the venue's time zone."""

    owner: str
    reason: str
    who: str
    at: datetime
    until: date
    time_zone: str


def deviation_of(difference: Difference, reported: Reported, terms: Terms, deviation: str) -> AgreedDeviation:
    """A difference signed for as it was found, under this id. Raises `Refused` where no value was found to bind to."""
    value = value_of(difference, reported)
    if value is None:
        what = SETTING_WORDS[difference.setting]
        raise Refused(f"{difference.device} does not tell its {what}: there is no value that a deviation could bind to")
    week, today = (moment_of(day, TOLD_AT, ZoneInfo(terms.time_zone)) for day in (terms.until - A_WEEK, terms.until))
    return AgreedDeviation(
        id=deviation,
        room=difference.room,
        position=difference.position,
        device=difference.device,
        output=difference.output,
        subject=difference.subject,
        setting=difference.setting,
        slot=difference.slot,
        settings=value[0],
        active_slot=value[1],
        grade=difference.grade,
        words=difference.words,
        wanted=difference.wanted,
        found=difference.found,
        owner=terms.owner,
        reason=terms.reason,
        who=terms.who,
        at=terms.at,
        until=terms.until,
        ends=end_of_day(terms.until, ZoneInfo(terms.time_zone)),
        told_week=terms.at >= week,
        told_end=terms.at >= today,
    )


def last_day(text: str, today: date) -> date:
    """The last day of a deviation. Raises `BadInput` for what is no day, is past, or is more than a year away."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no day", where="--until", remedy="Write it as 2031-06-30.") from None
    if day < today:
        raise BadInput(f"{text} is past", where="--until")
    if day > a_year_after(today):
        raise BadInput(
            f"{text} is more than a year away",
            where="--until",
            remedy="What is to stay for longer belongs in the room's file.",
        )
    return day


def a_year_after(day: date) -> date:
    """The same day of the next year; the 28th of February for the 29th."""
    try:
        return day.replace(year=day.year + 1)
    except ValueError:
        return day.replace(year=day.year + 1, day=28)


def shown_digest(differences: Sequence[Difference]) -> str:
    """What names differences that were shown, so that nothing else is agreed."""
    return digest([plain(replace(d, agreed=None)) for d in differences])


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """That a deviation ends is to be told: in a week, today, or that it has ended."""

    when: str
    deviation: AgreedDeviation
    """With that it was told."""


def due(deviation: AgreedDeviation, now: datetime, time_zone: str) -> Telling | None:
    """What is to be told of a deviation now; nothing of one that somebody ended."""
    if deviation.ended is not None or deviation.told_end:
        return None
    day = deviation.until.isoformat()
    told = replace(deviation, told_week=True, told_end=True)
    if now >= deviation.ends:
        return Telling(when=f"has ended with {day}", deviation=told)
    if now >= moment_of(deviation.until, TOLD_AT, ZoneInfo(time_zone)):
        return Telling(when="ends today", deviation=told)
    week = moment_of(deviation.until - A_WEEK, TOLD_AT, ZoneInfo(time_zone))
    if not deviation.told_week and now >= week:
        return Telling(when=f"ends on {day}", deviation=replace(deviation, told_week=True))
    return None


def _look(room: str) -> str:
    return f"`fleet diff {room} --all` tells what differs."
