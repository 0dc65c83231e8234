"""What the drift watch remembers over a restart: its episodes, and the differences of each room that are no drift."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Mapping
from datetime import datetime

from fleet.model.episode import AccountedFor, Episode
from fleet.reconcile.drift_facts import Mark, Watch
from fleet.reconcile.drifting import taken_up
from fleet.store.protocol import Store


class WatchMemory:
    """Reads and writes what has to survive. Only what changed is written."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._episodes: Mapping[str, Episode] = {}
        self._rooms: dict[str, AccountedFor] = {}

    async def read(self, now: datetime) -> Watch:
        """A watch that goes on from what is written down."""
        self._episodes = dict(await self._store.standing(Episode))
        self._rooms = dict(await self._store.standing(AccountedFor))
        accounted: dict[str, frozenset[Mark]] = {
            place: frozenset(marks) for room in self._rooms.values() for place, marks in room.marks.items() if marks
        }
        return taken_up(self._episodes.values(), accounted, now)

    def known(self, wanted: Mapping[str, str]) -> frozenset[str]:
        """Places that were looked at before, in rooms that are still to be what they were to be then."""
        return frozenset(
            place for name, room in self._rooms.items() if wanted.get(name) == room.wanted for place in room.marks
        )

    def looked_after(self, room: str, change: str) -> bool:
        """Whether the devices of a room were looked at after this change; so where none of it was ever looked at."""
        return room not in self._rooms or self._rooms[room].change == change

    async def write(
        self,
        watch: Watch,
        looked_at: Mapping[str, Collection[str]],
        wanted: Mapping[str, str],
        after: Mapping[str, str],
    ) -> None:
        """Write down what changed.

        `looked_at` holds, by room, all places that were ever looked at, and `after` the last change whose devices were.
        """
        writes = [
            self._store.save_standing(key, episode)
            for key, episode in watch.episodes.items()
            if self._episodes.get(key) != episode
        ]
        writes += [self._store.drop_standing(Episode, key) for key in self._episodes if key not in watch.episodes]
        changed: dict[str, AccountedFor] = {}
        for name, places in looked_at.items():
            marks = {place: tuple(sorted(watch.accounted.get(place, ()))) for place in sorted(places)}
            last = self._rooms[name].change if name in self._rooms else ""
            room = AccountedFor(room=name, wanted=wanted.get(name, ""), marks=marks, change=after.get(name, last))
            if self._rooms.get(name) != room:
                writes.append(self._store.save_standing(name, room))
                changed[name] = room
        await asyncio.gather(*writes)
        self._rooms |= changed
        self._episodes = dict(watch.episodes)
