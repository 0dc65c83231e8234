"""Whether drift of a room is put right without being asked: only where the room says so, and within narrow bounds.

Self-repair never fights a person. What drifts again after it was put right is left alone until somebody else has
put it right, and a room is repaired a few times a day at most.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TypeAlias
from zoneinfo import ZoneInfo

from fleet.model.days import SelfRepair
from fleet.model.episode import Episode
from fleet.model.repair import Repair, Repairs
from fleet.reconcile.hours import within

APART = timedelta(minutes=10)
"""Between two repairs of a room."""
MOST_A_DAY = 3
STOOD_FOR = timedelta(seconds=30)
"""How long drift stands before it is put right: a hand that is at a panel is still at it."""
REMEMBERED = timedelta(hours=24)


@dataclass(frozen=True, slots=True, kw_only=True)
class PutRight:
    """Put these positions right."""

    positions: tuple[str, ...]
    settings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveAlone:
    """Drift that people have to look at, and why; to be told once."""

    settings: tuple[str, ...]
    why: str


Verdict: TypeAlias = PutRight | LeaveAlone | None


def verdict(
    rule: SelfRepair | None,
    episodes: Collection[Episode],
    past: Repairs,
    zone: ZoneInfo,
    now: datetime,
    *,
    in_use: bool,
) -> Verdict:
    """What to do about the drift of a room now. A room `in_use` (on hold, with a guest, in a change) is left alone."""
    drifted = [e for e in episodes if e.kind == "drift" and e.stands and e.present]
    if rule is None or not drifted or in_use:
        return None
    if rule.nobody_near is not None and not within([rule.nobody_near], zone, now):
        return None
    told = set(past.left_alone)
    new = [e for e in drifted if not set(_settings(e)) <= told]
    recent = [r for r in past.done if now - r.at < REMEMBERED]
    if left := _left_alone(new, recent, told):
        return left
    ready = [e for e in new if now - e.moved >= STOOD_FOR and not _just_done(e, recent)]
    if not ready or any(now - r.at < APART for r in recent):
        return None
    return PutRight(
        positions=tuple(sorted({place.split("/")[1] for e in ready for place in e.positions})),
        settings=tuple(sorted({s for e in ready for s in _settings(e)})),
    )


def remembered(past: Repairs, episodes: Collection[Episode], now: datetime) -> Repairs:
    """What is still to be remembered: a day of repairs, the one that is to be told, what is left alone as it drifts."""
    drifting = {s for e in episodes if e.kind == "drift" and e.stands for s in _settings(e)}
    return replace(
        past,
        done=tuple(r for r in past.done if now - r.at < REMEMBERED or r.change == past.owed),
        left_alone=tuple(s for s in past.left_alone if s in drifting),
    )


def repaired(past: Repairs, settings: Collection[str], change: str, now: datetime) -> Repairs:
    """A repair more, of which people are to be told once it has ended."""
    done = (*past.done, Repair(at=now, settings=tuple(sorted(settings)), change=change))
    return replace(past, done=done, owed=change)


def owed(past: Repairs) -> Repair | None:
    """The repair that people were not told of yet."""
    return next((r for r in past.done if past.owed and r.change == past.owed), None)


def never_begun(past: Repairs) -> Repairs:
    """The repair that is owed never began: there is nothing to tell, and nothing was done."""
    return replace(past, done=tuple(r for r in past.done if r.change != past.owed), owed="")


def _left_alone(drifted: Collection[Episode], recent: Collection[Repair], told: Collection[str]) -> LeaveAlone | None:
    """The drift that is for people, the first reason that there is."""
    settings = [s for e in drifted for s in _settings(e) if s not in told]
    flapping = [s for e in drifted if e.state == "flapping" for s in _settings(e) if s not in told]
    again = {s for e in drifted for s in _settings(e) if any(s in r.settings and r.at < e.since for r in recent)}
    full = len(recent) >= MOST_A_DAY
    for found, why in (
        (flapping, "it comes and goes"),
        ([s for s in settings if s in again], "it was put right within the last day, and drifted again"),
        (settings if full else [], f"the room was put right {MOST_A_DAY} times within the last day"),
    ):
        if found:
            return LeaveAlone(settings=tuple(found), why=why)
    return None


def _just_done(episode: Episode, recent: Collection[Repair]) -> bool:
    """Whether it was put right since it began, and it was not seen yet that it is over."""
    return any(r.at >= episode.since and set(_settings(episode)) & set(r.settings) for r in recent)


def _settings(episode: Episode) -> tuple[str, ...]:
    return tuple(f"{place} {setting}" for place in episode.positions for setting in episode.settings)
