"""Notices of what the drift watch sees: one a matter, with the cause and a way out."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.model.episode import Episode
from fleet.model.notice import Notice
from fleet.reconcile.common_causes import common_cause, places_of
from fleet.reconcile.drift_events import Drifted, DriftEvent, LinkLost, Missing, Silenced, Unreachable
from fleet.reconcile.drift_gathering import Waiting, gather, ripe
from fleet.reconcile.drift_words import Told, told
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices


class WatchTelling:
    """Lets events wait for others of their matter, and gives notices of them."""

    def __init__(self, notices: Notices, desired: Desired, inventory: Inventory) -> None:
        self._notices = notices
        self._desired = desired
        self._inventory = inventory
        self._waiting: tuple[Waiting, ...] = ()

    def take(self, events: Iterable[DriftEvent], now: datetime) -> None:
        """Take events that are to be told."""
        self._waiting = gather(self._waiting, events, now)

    def take_up(self, episodes: Collection[Episode], now: datetime) -> None:
        """Take what stands and was not told of when a daemon stopped."""
        untold = [e for e in episodes if e.state == "open" and not e.announced]
        missing = tuple(e for e in untold if e.kind == "missing")
        self.take([Missing(episodes=missing)] if missing else [], now)
        self.take([Drifted(episode=e) for e in untold if e.kind == "drift"], now)
        self.take([Silenced(episode=e) for e in untold if e.kind == "muted"], now)
        self.take([Unreachable(episode=e) for e in untold if e.kind == "unreachable"], now)
        self.take([LinkLost(episode=e) for e in untold if e.kind == "link"], now)

    async def tell(self, now: datetime, held: Mapping[str, Episode]) -> frozenset[str]:
        """Give the notices that are due, of episodes as they are `held` by now; the keys of those they are about."""
        matters, _ = ripe(self._waiting, now)
        announced: set[str] = set()
        for events in matters:
            words = told(events, ZoneInfo(self._desired.venue().time_zone), now, self._common(events))
            keys = {episode.key for episode in words.episodes}
            beside = {key: replace(held[key], announced=True) for key in sorted(keys) if key in held}
            await self._notices.give(self._notice(words), beside=beside)
            given = {id(event) for event in events}
            self._waiting = tuple(w for w in self._waiting if id(w.event) not in given)
            announced |= keys
        return frozenset(announced)

    def _common(self, events: Sequence[DriftEvent]) -> str:
        """What missing devices have in common, in words."""
        missing = {e.device for event in events if isinstance(event, Missing) for e in event.episodes}
        if len(missing) < 2:
            return ""
        present = {record.id for record in self._inventory.records() if record.online}
        places = places_of(self._desired.venue(), self._inventory.descriptions())
        found = common_cause(missing, present, places)
        return found.words if found is not None else ""

    def _notice(self, words: Told) -> Notice:
        short = [place.partition("/")[2] for place in words.positions]
        return replace(
            self._notices.about(words.kind, words.words, room=words.room),
            positions=tuple(short) if words.room else words.positions,
            devices=words.devices,
            grade=words.grade,
            cause=words.cause,
            since=words.since,
            way_out=words.way_out,
        )
