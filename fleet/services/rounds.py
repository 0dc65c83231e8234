"""Rounds: room after room over the venue, each a change of its own, until too many devices did not take part.

Rounds are kept in memory. If the daemon dies, its journal brings the change of the running room to an end when it
starts again; the round ends there, and the rooms after it are not begun.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from fleet.errors import BadInput, FleetError, NotFound, Refused
from fleet.model.names import shown
from fleet.model.plan import Plan, check_guard_names
from fleet.model.round import RoomLook, RoomResult, RoomState, Round, RoundKind
from fleet.reconcile.rounds import as_shown, of_change, of_empty, of_error, why_stop
from fleet.reconcile.scope import Scope, room_of
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.planning import Asked

log = logging.getLogger(__name__)

WAIT_S = 5.0
ROUNDS_KEPT = 20
STOPS = "the daemon stops"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedRound:
    """What a person asks for: a kind of change for each of the rooms, whose plans were shown with these digests.

    The digest is empty for a room that had no plan. The round stops once `stop_after` devices failed, were
    unreachable or were late.
    """

    kind: RoundKind
    digests: Mapping[str, str]
    stop_after: int = 1
    allow: Collection[str] = ()


@dataclass(slots=True, kw_only=True)
class _Running:
    """A round of this daemon, and what it has done so far."""

    round: Round
    asked: AskedRound
    earlier: list[Plan] = field(default_factory=list)
    called_off: str = ""
    ended: asyncio.Event = field(default_factory=asyncio.Event)


class Rounds:
    """Plans and carries out rounds, one at a time."""

    def __init__(
        self, *, changes: Changes, desired: Desired, clock: Callable[[], datetime], new_id: Callable[[], str]
    ) -> None:
        self._changes = changes
        self._desired = desired
        self._clock = clock
        self._new_id = new_id
        self._rounds: dict[str, _Running] = {}
        self._task: asyncio.Task[None] | None = None
        self._closing = False

    async def look(self, kind: RoundKind) -> tuple[RoomLook, ...]:
        """What a round over every room would do now, by the rooms' names. What refuses one room hides no other."""
        rooms = sorted(self._desired.venue().rooms)

        async def look_at(room: str) -> RoomLook:
            try:
                return RoomLook(room=room, plan=await self._changes.plan(_of_room(kind, room, rooms)))
            except FleetError as error:
                return RoomLook(room=room, refused=of_error(room, error))

        async with asyncio.TaskGroup() as tasks:
            looks = [tasks.create_task(look_at(room), name=f"plan {room}") for room in rooms]
        return tuple(look.result() for look in looks)

    async def start(self, asked: AskedRound, *, who: str, why: str) -> Round:
        """Begin a round, which goes on by itself.

        Raises `BadInput` where no room or no useful number is given, `NotFound` for an unknown room, and `Refused`
        while another round goes on.
        """
        if not asked.digests:
            raise BadInput("a round needs a room")
        if asked.stop_after < 1:
            raise BadInput("a round stops after 1 device or more", where="--stop-after")
        check_guard_names(asked.allow)
        rooms = tuple(room_of(self._desired.venue(), room).name for room in sorted(asked.digests))
        if self._closing:
            raise Refused(STOPS)
        for other in self._rounds.values():
            if not other.round.ended:
                raise Refused(
                    f"{other.round.id} of {other.round.who} goes through the rooms", remedy="Wait until it has ended."
                )
        running = _Running(
            round=Round(
                id=self._new_id(),
                kind=asked.kind,
                who=who,
                why=why,
                started=self._clock(),
                stop_after=asked.stop_after,
                rooms=tuple(RoomResult(room=room) for room in rooms),
            ),
            asked=asked,
        )
        self._remember(running)
        self._task = asyncio.create_task(self._carry_out(running), name=running.round.id)
        return running.round

    def record(self, round_: str) -> Round:
        """A round by its id. Raises `NotFound`."""
        return self._known(round_).round

    async def wait(self, round_: str, timeout_s: float) -> Round:
        """The round, when it has ended or `timeout_s` seconds have passed. Raises `NotFound`."""
        running = self._known(round_)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await running.ended.wait()
        return running.round

    def cancel(self, round_: str, who: str) -> Round:
        """Begin no further room; the change of the running one goes on to its end.

        Raises `NotFound`, or `Refused` where the round has ended.
        """
        running = self._known(round_)
        if running.round.ended:
            raise Refused(f"{running.round.id} has ended")
        running.called_off = running.called_off or f"cancelled by {who}"
        return running.round

    async def close(self) -> None:
        """Begin no further room, and wait until the running one's change, which is cancelled elsewhere, has ended."""
        self._closing = True
        for running in self._rounds.values():
            running.called_off = running.called_off or STOPS
        if self._task is not None:
            await asyncio.wait({self._task})

    async def _carry_out(self, running: _Running) -> None:
        stop = ""
        try:
            for index, room in enumerate(r.room for r in running.round.rooms):
                if stop := running.called_off or why_stop(running.round.rooms[:index], running.asked.stop_after):
                    break
                self._put(running, index, RoomResult(room=room, state=RoomState.RUNNING))
                self._put(running, index, await self._turn(running, index, room))
        finally:
            running.round = replace(running.round, stopped=stop, ended=self._clock())
            running.ended.set()
            log.info("%s has ended%s", running.round.id, f": {stop}" if stop else "")

    async def _turn(self, running: _Running, index: int, room: str) -> RoomResult:
        """How one room went, whatever goes wrong."""
        try:
            return await self._put_right(running, index, room)
        except FleetError as error:
            result = of_error(room, error)
        except Exception:
            log.exception("%s: %s stopped", running.round.id, room)
            words = "a fault of this program; the daemon's log has the details"
            result = RoomResult(room=room, state=RoomState.FAILED, words=words, stops=True)
        return replace(result, change=running.round.rooms[index].change)

    async def _put_right(self, running: _Running, index: int, room: str) -> RoomResult:
        """One room: planned afresh, and carried out if that is what was agreed to."""
        round_, asked = running.round, running.asked
        of_room = _of_room(asked.kind, room, asked.digests)
        plan = await self._changes.plan(of_room)
        if plan.empty():
            return of_empty(room, plan)
        digest = plan.digest if self._agreed(running, room, plan) else asked.digests[room]
        why = f"{round_.id}: {round_.why}" if round_.why else round_.id
        record = await self._changes.start(of_room, digest=digest, who=round_.who, why=why, allow=asked.allow)
        running.earlier.append(record.plan)
        self._put(running, index, RoomResult(room=room, state=RoomState.RUNNING, change=record.id))
        if self._closing:  # it began while the other changes were being cancelled
            with contextlib.suppress(Refused):
                await self._changes.cancel(record.id, "the daemon, which stops")
        while True:
            last = self._closing
            record = await self._changes.wait(record.id, WAIT_S)
            if record.state.ended or last:
                return of_change(room, record)

    def _agreed(self, running: _Running, room: str, plan: Plan) -> bool:
        devices = {p.device for p in self._desired.venue().rooms[room].positions.values()}
        return as_shown(plan, running.asked.digests[room], earlier=running.earlier, devices=devices)

    @staticmethod
    def _put(running: _Running, index: int, result: RoomResult) -> None:
        rooms = list(running.round.rooms)
        rooms[index] = result
        running.round = replace(running.round, rooms=tuple(rooms))

    def _known(self, round_: str) -> _Running:
        if round_ not in self._rounds:
            raise NotFound(
                f"no round {shown(round_)!r}: they are not kept when the daemon stops",
                remedy="`fleet changes` lists what was done.",
            )
        return self._rounds[round_]

    def _remember(self, running: _Running) -> None:
        self._rounds[running.round.id] = running
        while len(self._rounds) > ROUNDS_KEPT:
            del self._rounds[next(iter(self._rounds))]


def _of_room(kind: RoundKind, room: str, rooms: Collection[str]) -> Asked:
    """A room's change; all rooms of the round count as named, since the round is about each of them."""
    return Asked(kind=kind, scope=Scope(rooms=(room,), also=frozenset(rooms)))
