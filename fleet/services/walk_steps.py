"""The step of a walk: to the first of some positions that can be walked, which is then heard alone, on trial."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime

from fleet.desired.taps import load_ohm
from fleet.errors import FleetError, Refused
from fleet.model.plan import Plan
from fleet.model.venue import Position, Room
from fleet.model.walk import Move, Step, Walk, WalkState
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import room_of
from fleet.reconcile.walking import levels_at, noted, others_of, plan_step, serves_life_safety, unwalkable
from fleet.services.desired import Desired
from fleet.services.outlook import Lookout
from fleet.services.walk_records import WalkRecords
from fleet.services.walk_trials import WalkTrials


class WalkSteps:
    """Takes steps. Whoever calls holds the room's lock, and nothing of the walk is under test."""

    def __init__(
        self,
        *,
        records: WalkRecords,
        trials: WalkTrials,
        desired: Desired,
        lookout: Lookout,
        clock: Callable[[], datetime],
    ) -> None:
        self._records = records
        self._trials = trials
        self._desired = desired
        self._lookout = lookout
        self._clock = clock

    def skipped(self, walk: Walk, words: str) -> Walk:
        """The walk with the position it is at noted as not walked."""
        return noted(walk, self._position(walk, walk.at), words) if walk.at else walk

    async def first_of(self, walk: Walk, names: Iterable[str], move: Move, who: str) -> Walk:
        """Go to the first of these positions that can be walked; the others are noted. Without any the walk is done.

        Raises `Refused` where the move was to `repeat` one or to go `back`, and where a step could not be tried.
        """
        for name in names:
            room, position = self._room(walk), self._position(walk, name)
            outlook = await self._lookout.look(self._devices(room))
            if words := unwalkable(outlook, position, walk.level_db):
                if move == "repeat":
                    raise Refused(f"{name}: {words}")
                walk = noted(walk, position, words)
                continue
            return await self._go(walk, outlook, room, position, who)
        if move == "back":
            await self._records.save(walk)
            raise Refused("no position before this one can be walked")
        return await self._records.ended(walk, WalkState.DONE, "")

    async def _go(self, walk: Walk, outlook: Outlook, room: Room, position: Position, who: str) -> Walk:
        plan = plan_step(outlook, room, position, walk.level_db)
        walk = replace(walk, at=position.name, steps=walk.steps + 1)
        step = _step_of(outlook, room, position, plan, walk, self._clock())
        walk = replace(walk, now=step)
        await self._records.save(walk)
        try:
            await self._trials.try_out(walk, step, plan, who)
        except FleetError:
            await self._records.save(replace(walk, now=None))
            raise
        return walk

    def _room(self, walk: Walk) -> Room:
        return room_of(self._desired.venue(), walk.room)

    def _position(self, walk: Walk, name: str) -> Position:
        positions = self._room(walk).positions
        if name not in positions:
            raise Refused(f"{walk.room} has no position {name} any more", remedy="End this walk and begin a new one.")
        return positions[name]

    def _devices(self, room: Room) -> set[str]:
        venue = self._desired.venue()
        return {p.device for p in room.positions.values() if not serves_life_safety(venue, p)}


def _step_of(outlook: Outlook, room: Room, position: Position, plan: Plan, walk: Walk, at: datetime) -> Step:
    levels = levels_at(outlook, position, walk.level_db)
    assert levels is not None
    line = position.line
    touched = {place for device in plan.devices for place in device.positions}
    return Step(
        position=position.name,
        device=position.device,
        output=position.output,
        serial=outlook.reported[position.device].description.serial,
        level_db=levels.level_db,
        was_db=levels.was_db,
        at=at,
        change="" if plan.empty() else walk.change_of_step,
        muted=tuple(p.name for p in others_of(room, position) if (p.room, p.name) in touched),
        may_sound=tuple(f"{out.position}: {out.words}" for out in plan.left_out),
        expected_ohm=load_ohm(line) if line is not None and line.volts is not None else None,
    )
