"""What the drift watch tells, in sentences that a person understands alone, each with a way out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeAlias
from zoneinfo import ZoneInfo

from fleet.model.cause import NOT_KNOWN
from fleet.model.difference import Grade
from fleet.model.episode import Episode, EpisodeKind
from fleet.model.listing import counted, listed
from fleet.model.notice import NoticeKind
from fleet.model.venue_time import clock_time
from fleet.reconcile.drift_events import (
    Answers,
    Back,
    Calmed,
    Drifted,
    DriftEvent,
    Flapping,
    LinkBack,
    LinkLost,
    Missing,
    Over,
    Silenced,
    Unreachable,
)
from fleet.reconcile.drift_facts import Reason

NAMED: Final = 4
"""Positions and devices are named up to this number, and counted above it."""
WHOSE: Final[Mapping[Reason, str]] = {"change": "by a change", "version": "by what is desired now"}
Episodes: TypeAlias = tuple[Episode, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One matter, as a notice tells it."""

    kind: NoticeKind
    words: str
    episodes: tuple[Episode, ...]
    cause: str = ""
    way_out: str = ""

    @property
    def room(self) -> str:
        """The room that it is about, where that is one."""
        rooms = {room for episode in self.episodes for room in episode.rooms}
        return next(iter(rooms)) if len(rooms) == 1 else ""

    @property
    def positions(self) -> tuple[str, ...]:
        """Full names of the positions that it is about."""
        return tuple(sorted({p for episode in self.episodes for p in episode.positions}))

    @property
    def devices(self) -> tuple[str, ...]:
        """The devices that it is about."""
        return tuple(sorted({episode.device for episode in self.episodes if episode.device}))

    @property
    def grade(self) -> Grade | None:
        """The worst grade."""
        return max((e.grade for e in self.episodes if e.grade is not None), default=None)

    @property
    def since(self) -> datetime | None:
        """When the first of it began."""
        return min((e.since for e in self.episodes), default=None)


def told(events: Sequence[DriftEvent], zone: ZoneInfo, now: datetime, common: str = "") -> Told:
    """Events of one matter in words; `common` is the cause that missing devices share."""
    event = events[0]
    if isinstance(event, Missing):
        return _missing(event.episodes, zone, now, common)
    if isinstance(event, Unreachable):
        return _unreachable(tuple(one.episode for one in events if isinstance(one, Unreachable)), zone, now)
    episodes = tuple(one.episode for one in events if not isinstance(one, Missing))
    since = clock_time(min(e.since for e in episodes), zone, now)
    if isinstance(event, Drifted):
        return _drifted(episodes, since, worse=event.worse)
    if isinstance(event, Over):
        return _over(episodes, event.reason)
    return _SIMPLE[type(event)](episodes, since)


def _muted(episodes: Episodes, since: str) -> Told:
    words = f"{places(episodes)} {episodes[0].words} since {since}"
    return Told(kind="muted", words=words, episodes=episodes, way_out="Free the contact or the alarm that mutes it.")


def _over(episodes: Episodes, reason: Reason) -> Told:
    if episodes[0].kind == "muted":
        return Told(kind="muted", words=f"{places(episodes)} not muted any more", episodes=episodes)
    how = "what differs is agreed" if reason == "agreed" else f"as desired again, {WHOSE.get(reason, 'by itself')}"
    words = f"{places(episodes)}{':' if reason == 'agreed' else ''} {how}"
    return Told(kind="drift over", words=words, episodes=episodes)


def _back(episodes: Episodes, since: str) -> Told:
    verb = "is" if len(episodes) == 1 else "are"
    words = f"{_named([e.device for e in episodes], 'device')} {verb} back; missing since {since}"
    return Told(kind="back", words=words, episodes=episodes)


def _answers(episodes: Episodes, since: str) -> Told:
    verb, they = ("answers", "it") if len(episodes) == 1 else ("answer", "they")
    words = f"{_named([e.device for e in episodes], 'device')} {verb} again; {they} did not since {since}"
    return Told(kind="back", words=words, episodes=episodes)


def _flapping(episodes: Episodes, _since: str) -> Told:
    what = _WHAT[episodes[0].kind]
    words = f"{places(episodes)}: {what} comes and goes; nothing more is told until that stops"
    return Told(kind="flapping", words=words, episodes=episodes, cause=_cause(episodes), way_out=_ways(episodes))


def _calmed(episodes: Episodes, _since: str) -> Told:
    one = episodes[0]
    how = f"it still {_STILL[one.kind]}" if one.present else _ENDED[one.kind]
    words = f"{places(episodes)}: it stopped coming and going; {how}"
    return Told(kind="flapping", words=words, episodes=episodes, way_out=_ways(episodes) if one.present else "")


def _link_lost(episodes: Episodes, since: str) -> Told:
    words = f"the link to the devices' broker is down since {since}: nothing is known of any room"
    return Told(kind="link", words=words, episodes=episodes, cause=episodes[0].words, way_out="fleet self-check")


def _link_back(episodes: Episodes, since: str) -> Told:
    words = f"the link to the devices' broker is up again; it was down since {since}"
    return Told(kind="link", words=words, episodes=episodes)


_SIMPLE: Final[Mapping[type, Callable[[Episodes, str], Told]]] = {
    Silenced: _muted,
    Back: _back,
    Answers: _answers,
    Flapping: _flapping,
    Calmed: _calmed,
    LinkLost: _link_lost,
    LinkBack: _link_back,
}
_WHAT: Final[Mapping[EpisodeKind, str]] = {
    "drift": "a difference",
    "muted": "a mute",
    "missing": "its device",
    "unreachable": "its device's answer",
    "link": "the link",
}
_STILL: Final[Mapping[EpisodeKind, str]] = {
    "drift": "differs",
    "muted": "is muted",
    "missing": "is missing",
    "unreachable": "does not answer",
    "link": "is down",
}
_ENDED: Final[Mapping[EpisodeKind, str]] = {
    "drift": "the difference is over",
    "muted": "it is not muted",
    "missing": "its device is there",
    "unreachable": "its device answers",
    "link": "it is up",
}


def places(episodes: Sequence[Episode]) -> str:
    """The positions of episodes, by room: `weir-hall: main-left and fill`."""
    names: dict[str, list[str]] = {}
    for full in sorted({p for episode in episodes for p in episode.positions}):
        room, _, position = full.partition("/")
        names.setdefault(room, []).append(position)
    if not names:
        return "the link to the devices' broker"
    return "; ".join(f"{room}: {_named(positions, 'position')}" for room, positions in names.items())


def _drifted(episodes: Episodes, since: str, *, worse: bool) -> Told:
    cause = _cause(episodes)
    worst = max(episodes, key=lambda e: (e.grade or 0, -len(e.words)))
    verb = ("differs" if len(episodes) == 1 else "differ") + (" worse now" if worse else "")
    grade = f" ({worst.grade.word})" if worst.grade else ""
    what = worst.words if len(episodes) == 1 else f"{_position(worst)} {worst.words}"
    words = f"{places(episodes)} {verb} since {since}: {what}{grade}"
    words += f"; probable cause: {cause}" if cause else ""
    return Told(kind="drift", words=words, episodes=episodes, cause=cause, way_out=_ways(episodes))


def _missing(episodes: Episodes, zone: ZoneInfo, now: datetime, common: str) -> Told:
    since = clock_time(min(e.since for e in episodes), zone, now)
    if len(episodes) == 1:
        words = f"{places(episodes)}: {episodes[0].device} is missing; last seen {since}"
    else:
        who = _named([e.device for e in episodes], "device")
        words = f"{who} are missing since {since}" + (f": {common}" if common else f" ({places(episodes)})")
    return Told(kind="missing", words=words, episodes=episodes, cause=common, way_out=_ways(episodes))


def _unreachable(episodes: Episodes, zone: ZoneInfo, now: datetime) -> Told:
    since = clock_time(min(e.since for e in episodes), zone, now)
    seen = clock_time(min(e.last_seen or e.since for e in episodes), zone, now)
    when = f"since {since}, last seen {seen}"
    if len(episodes) == 1:
        words = f"{places(episodes)}: {episodes[0].device} does not answer {when}"
    else:
        words = f"{_named([e.device for e in episodes], 'device')} do not answer {when} ({places(episodes)})"
    return Told(kind="unreachable", words=words, episodes=episodes, way_out=_ways(episodes))


def _cause(episodes: Episodes) -> str:
    return episodes[0].cause if episodes[0].cause != NOT_KNOWN.words else ""


def _ways(episodes: Sequence[Episode]) -> str:
    """The commands that put it right."""
    first = episodes[0]
    if first.kind in ("missing", "unreachable"):
        if len(episodes) > 1 or not first.positions:
            return "Look for what they share: power, switch, cable."
        swap = f"fleet swap {first.positions[0]} SPARE"
        return swap if first.kind == "missing" else f"Switch its power off and on; if that does not help: `{swap}`"
    if not all(e.kind == "drift" for e in episodes):
        return ""
    rooms = sorted({room for e in episodes for room in e.rooms})
    settings = {s for e in episodes for s in e.settings}
    if all(s.startswith("stored ") for s in settings):
        return "; ".join(f"fleet store {room}" for room in rooms)
    verb = "recall" if "live slot" in settings else "apply"
    return "; ".join(f"fleet {verb} {room}" for room in rooms)


def _position(episode: Episode) -> str:
    return episode.positions[0].partition("/")[2]


def _named(names: Sequence[str], what: str) -> str:
    return listed(names) if len(names) <= NAMED else counted(len(names), what)
