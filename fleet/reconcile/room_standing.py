"""How a room stands over time: since when it differs and why, and when its missing devices were last heard."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from fleet.model.cause import NOT_KNOWN
from fleet.model.difference import Comparison, Difference, Unchecked
from fleet.model.episode import Episode
from fleet.model.listing import counted
from fleet.model.standing import OurMute
from fleet.model.venue_time import clock_time

AWAY: Final[tuple[Unchecked, ...]] = ("missing", "unreachable")
"""Why a position is not compared whose device is not there, or does not answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomStanding:
    """What is known beside a comparison of a room; with `link_trouble` nothing is known of it, since `link_since`.

    `last_seen` holds its devices that are not there or do not answer, `silent_since` those of them that are there by
    their presence, and since when they do not answer.
    """

    room: str = ""
    """Its name; empty where this is of all rooms."""
    zone: ZoneInfo
    now: datetime
    link_trouble: str = ""
    link_since: datetime
    episodes: tuple[Episode, ...] = ()
    last_seen: Mapping[str, datetime] = field(default_factory=dict)
    silent_since: Mapping[str, datetime] = field(default_factory=dict)
    mutes: tuple[OurMute, ...] = ()
    """Positions that are silent because somebody muted them through this tool."""

    def drift(self) -> tuple[Episode, ...]:
        """The positions that differ by themselves at the moment."""
        return tuple(e for e in self.episodes if e.kind == "drift" and e.present)

    def not_known(self) -> str:
        """Why nothing is known of the room, and since when; empty where it is."""
        return f"not known since {self._clock(self.link_since)}: {self.link_trouble}" if self.link_trouble else ""

    def since(self, comparison: Comparison) -> datetime | None:
        """Since when all differs that does; `None` where some of it stood before it was watched."""
        drifted = self._drifted(comparison)
        apart = {(d.room, d.position) for d in comparison.counting()}
        return min((e.since for e in drifted), default=None) if len(drifted) == len(apart) else None

    def since_words(self, comparison: Comparison) -> str:
        """` since 17:42: recalled slot 1 at its panel`, or of how many; empty where there is no telling."""
        drifted = self._drifted(comparison)
        if not drifted:
            return ""
        since = self._clock(min(e.since for e in drifted))
        cause = cause_of(drifted[0]) if len(drifted) == 1 else ""
        some = "" if self.since(comparison) is not None else f", {len(drifted)} of them"
        return f"{some} since {since}" + (f": {cause}" if cause else "")

    def muted_words(self, comparison: Comparison) -> list[str]:
        """`muted by ana since 17:42`, of how many where it is not the whole room; one sentence for each who did it."""
        whole = {p for p in comparison.checked if not self.room or p[0] == self.room}
        by_change: dict[str, list[OurMute]] = {}
        for mute in self.mutes:
            by_change.setdefault(mute.change, []).append(mute)
        told = []
        for mutes in by_change.values():
            all_of_it = {(m.room, m.position) for m in mutes} >= whole
            which = "" if all_of_it else f"{counted(len(mutes), 'position')} "
            told.append(f"{which}muted by {mutes[0].who} since {self._clock(mutes[0].at)}")
        return told

    def by_our_mute(self, difference: Difference) -> bool:
        """Whether a difference is nothing but that somebody muted the position through this tool."""
        muted = {(m.room, m.position) for m in self.mutes}
        return difference.setting == "mute" and (difference.room, difference.position) in muted

    def last_seen_words(self, comparison: Comparison) -> str:
        """`: last seen 17:42`, and since when they do not answer; empty where there is another reason besides."""
        away = {n.device for n in comparison.not_checked if n.reason in AWAY}
        others = any(n.reason not in (*AWAY, "life_safety") for n in comparison.not_checked)
        if not away or others or not away <= self.last_seen.keys():
            return ""
        return ": " + self._no_answer_words(away & self.silent_since.keys()) + self._seen_words(away)

    def missing_words(self, device: str) -> str:
        """Why nothing is known of a device now, and when it was last seen; empty for one that answers or never was."""
        seen, silent_since = self.last_seen.get(device), self.silent_since.get(device)
        if seen is None:
            return ""
        if silent_since is not None:
            return f"{device} does not answer since {self._clock(silent_since)}, last seen {self._clock(seen)}"
        return f"{device} is missing; last seen {self._clock(seen)}"

    def episode_words(self, episode: Episode) -> str:
        """Since when, what and why."""
        cause = cause_of(episode)
        flaps = "comes and goes, " if episode.state == "flapping" else ""
        why = f"; probable cause: {cause}" if cause else ""
        return f"{flaps}since {self._clock(episode.since)}: {episode.words}{why}"

    def _no_answer_words(self, silent: Collection[str]) -> str:
        if not silent:
            return ""
        who = "its device does" if len(silent) == 1 else f"{len(silent)} devices do"
        return f"{who} not answer since {self._clock(min(self.silent_since[device] for device in silent))}, "

    def _seen_words(self, away: Collection[str]) -> str:
        seen = [self.last_seen[device] for device in away]
        first, last = self._clock(min(seen)), self._clock(max(seen))
        return f"last seen {first}" if first == last else f"last seen from {first} to {last}"

    def _drifted(self, comparison: Comparison) -> list[Episode]:
        apart = {f"{d.room}/{d.position}" for d in comparison.counting()}
        return [e for e in self.drift() if e.positions[0] in apart]

    def _clock(self, at: datetime) -> str:
        return clock_time(at, self.zone, self.now)


def cause_of(episode: Episode) -> str:
    """The probable cause; empty where it is not known."""
    return episode.cause if episode.cause != NOT_KNOWN.words else ""
