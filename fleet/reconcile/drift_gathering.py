"""Events of the drift watch on their way to people: those of one matter are told as one, and blips not at all."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from fleet.reconcile.drift_events import (
    Answers,
    Back,
    Calmed,
    Drifted,
    DriftEvent,
    Flapping,
    LinkBack,
    Missing,
    Over,
    Silenced,
    Unreachable,
)

WITHIN: Final = timedelta(seconds=3)
"""Positions of a room that one hand changes follow one another within this."""
BACK_WITHIN: Final = timedelta(seconds=30)
"""Boxes of one circuit take their time to start, and nobody is in a hurry to learn that they are back. What stops
answering together is found by questions one after the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """An event that waits for others of its matter."""

    event: DriftEvent
    at: datetime


def gather(waiting: Iterable[Waiting], events: Iterable[DriftEvent], now: datetime) -> tuple[Waiting, ...]:
    """Put events to those that wait. What is over before it was told of is not told at all."""
    kept = list(waiting)
    for event in events:
        if isinstance(event, Over | Back | Answers | LinkBack | Flapping):
            kept = [left for one in kept if (left := _without(one, event.episode.key)) is not None]
            if not event.episode.announced and not isinstance(event, Flapping):
                continue
            if isinstance(event, Answers) and event.gone:
                continue
        kept.append(Waiting(event=event, at=now))
    return tuple(kept)


def ripe(waiting: Iterable[Waiting], now: datetime) -> tuple[tuple[tuple[DriftEvent, ...], ...], tuple[Waiting, ...]]:
    """The events that are to be told now, each matter by itself, and those that wait on."""
    matters: dict[Hashable, list[Waiting]] = {}
    for one in waiting:
        matters.setdefault(_matter(one.event), []).append(one)
    due = [ones for ones in matters.values() if now >= ones[0].at + _wait(ones[0].event)]
    told = {id(one) for ones in due for one in ones}
    return tuple(tuple(one.event for one in ones) for ones in due), tuple(w for w in waiting if id(w) not in told)


def gathering_due(waiting: Iterable[Waiting]) -> datetime | None:
    """When the next event is to be told."""
    return min((one.at + _wait(one.event) for one in waiting), default=None)


def _without(one: Waiting, key: str) -> Waiting | None:
    """What is left of a waiting event when this episode is over."""
    event = one.event
    if isinstance(event, Missing):
        left = tuple(episode for episode in event.episodes if episode.key != key)
        return replace(one, event=replace(event, episodes=left)) if left else None
    begins = isinstance(event, Drifted | Silenced | Unreachable)
    return None if begins and event.episode.key == key else one


def _matter(event: DriftEvent) -> Hashable:
    """What has to be the same for events to be told as one."""
    kind = type(event).__name__
    match event:
        case Drifted(episode=episode, worse=worse):
            return kind, episode.rooms, episode.cause, worse
        case Over(episode=episode, reason=reason):
            return kind, episode.kind, episode.rooms, reason
        case Silenced(episode=episode):
            return kind, episode.rooms, episode.words
        case Back() | Unreachable() | Answers():
            return kind
        case Flapping(episode=episode) | Calmed(episode=episode):
            return kind, episode.kind, episode.rooms, episode.present
        case _:
            return kind, id(event)


def _wait(event: DriftEvent) -> timedelta:
    if isinstance(event, Back | Unreachable | Answers):
        return BACK_WITHIN
    return WITHIN if isinstance(event, Drifted | Over | Silenced | Flapping | Calmed) else timedelta()
