"""Self-repair: drift put right without being asked, in rooms whose file says so, while nobody works near the boxes."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.errors import FleetError, NotFound
from fleet.model.change import ChangeState
from fleet.model.episode import Episode
from fleet.model.listing import counted, listed
from fleet.model.repair import Repair, Repairs
from fleet.model.venue import Room
from fleet.reconcile.repairs import LeaveAlone, PutRight, never_begun, owed, remembered, repaired, verdict
from fleet.reconcile.scope import Scope
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.planning import Asked
from fleet.services.watching import Watching
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

WHO = "self-repair"
ENDED_WITHIN_S = 120.0


class Repairing:
    """Puts drift right in rooms that ask for it, and says what it did and what it leaves to people."""

    def __init__(  # noqa: PLR0913 - one collaborator each for what drifted, its change, its bounds and its notice
        self,
        *,
        store: Store,
        desired: Desired,
        inventory: Inventory,
        watching: Watching,
        changes: Changes,
        in_use: InUse,
        notices: Notices,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._desired = desired
        self._inventory = inventory
        self._watching = watching
        self._changes = changes
        self._in_use = in_use
        self._notices = notices
        self._clock = clock
        self._new_id = new_id
        self._past: dict[str, Repairs] | None = None
        """What was done in each room, as far as it still counts; `None` until the store was read."""

    async def tick(self) -> None:
        """Look at each room that asks for it."""
        if self._desired.version is None:
            return
        venue = self._desired.venue()
        if self._past is None:
            self._past = dict(await self._store.standing(Repairs))
        for name, room in sorted(venue.rooms.items()):
            episodes = self._watching.episodes(name)
            past = self._past.get(name, Repairs(room=name))
            if (room.self_repair is None or not (episodes or name in self._past)) and not past.owed:
                continue
            past = remembered(past, episodes, self._clock())
            if (repair := owed(past)) is not None:
                await self._remember(await self._tell_end(room, repair, past))
            else:
                await self._remember(await self._look(room, episodes, past, ZoneInfo(venue.time_zone)))

    async def _remember(self, past: Repairs) -> None:
        """Keep what was done, also for a daemon that comes after this one."""
        assert self._past is not None
        if past == self._past.get(past.room, Repairs(room=past.room)):
            return
        if past.done or past.left_alone:
            await self._store.save_standing(past.room, past)
            self._past[past.room] = past
        else:
            await self._store.drop_standing(Repairs, past.room)
            del self._past[past.room]

    async def _look(self, room: Room, episodes: Collection[Episode], past: Repairs, zone: ZoneInfo) -> Repairs:
        devices = {p.device for p in room.positions.values()}
        in_use = await self._in_use.why([room.name], devices) is not None
        match verdict(room.self_repair, episodes, past, zone, self._clock(), in_use=in_use):
            case PutRight(positions=positions, settings=settings):
                return await self._put_right(room, positions, settings, past)
            case LeaveAlone(settings=settings, why=why):
                return await self._leave(room, settings, why, past)
        return past

    async def _put_right(
        self, room: Room, positions: Collection[str], settings: Collection[str], past: Repairs
    ) -> Repairs:
        scope = _only(room, positions)
        members = set(room.positions) - scope.without
        if not all(self._inventory.online(room.positions[name].device) for name in members):
            return past  # once all of them are up
        try:
            plan = await self._changes.plan(Asked(kind="apply", scope=scope))
            if plan.empty():
                return past
            change = self._new_id()
            begun = repaired(past, settings, change, self._clock())
            await self._remember(begun)  # a daemon that dies from here on tells of it at its next start
            await self._changes.begin(plan, who=WHO, why=f"drift of {listed(sorted(positions))}", change=change)
        except FleetError as error:
            return await self._leave(room, settings, f"it was not put right: {error}", past)
        await self._changes.wait(change, ENDED_WITHIN_S)
        return await self._tell_end(room, begun.done[-1], begun)

    async def _tell_end(self, room: Room, repair: Repair, past: Repairs) -> Repairs:
        """Tell how a repair ended, once it has."""
        try:
            record = await self._changes.record(repair.change)
        except NotFound:
            return never_begun(past)
        if not record.state.ended:
            return past
        past = replace(past, owed="")
        if record.state is not ChangeState.KEPT:
            return await self._leave(room, repair.settings, f"change {record.id} is {record.state}", past)
        positions = _positions(repair.settings)
        words = f"{room.name}: {counted(len(positions), 'position')} put right by itself: {listed(positions)}"
        notice = replace(
            self._notices.about("repair", words, room=room.name),
            positions=tuple(positions),
            way_out=f"`fleet rollback {record.id}` undoes it.",
        )
        await self._notices.give(notice, beside={room.name: past})
        return past

    async def _leave(self, room: Room, settings: Collection[str], why: str, past: Repairs) -> Repairs:
        """Leave drift to people, and tell them once."""
        places = _positions(settings)
        words = f"{room.name}: drift of {listed(places)} is left to you: {why}"
        notice = replace(
            self._notices.about("repair", words, room=room.name),
            positions=tuple(places),
            way_out=f"`fleet diff {room.name}` shows it, `fleet apply {room.name}` puts it right.",
        )
        past = replace(past, left_alone=tuple(dict.fromkeys((*past.left_alone, *settings))))
        await self._notices.give(notice, beside={room.name: past})
        return past


def _positions(settings: Collection[str]) -> list[str]:
    """The positions of settings (`room/position live level_db`), by name."""
    return sorted({setting.split(" ")[0].split("/")[1] for setting in settings})


def _only(room: Room, positions: Collection[str]) -> Scope:
    """These positions of a room with their coherent sets, and no others."""
    wanted = set(positions)
    while (
        more := {
            member
            for name in wanted
            for group in room.positions[name].coherent
            for member in room.groups[group].positions
        }
        - wanted
    ):
        wanted |= more
    return Scope(rooms=(room.name,), without=frozenset(set(room.positions) - wanted))
