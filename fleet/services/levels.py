"""Levels that somebody chose at a box, a wall panel or a control system are followed: they are no drift."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from fleet.desired.version import Version
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.standing import LevelsTold, OperatorLevel, RoomMode
from fleet.model.state import State
from fleet.model.venue import Position
from fleet.reconcile.following import Choice, arrived, followed, left_by, levels_left, levels_told
from fleet.services.changes import Changes
from fleet.services.chosen_levels import ChosenLevels
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.level_memory import LevelMemory
from fleet.store.protocol import Store

Ranged = Mapping[str, tuple[Position, ...]]
"""Positions whose level has a range, by device."""
AWAITED_FOR: Final = timedelta(seconds=5)
"""A device that has not told by then where a change left it was turned since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Awaited:
    """The levels by output that a change left a device at, and that the device has not told yet."""

    since: datetime
    levels_db: Mapping[int, float]


class Levels:
    """Follows levels within their ranges, as devices tell them."""

    def __init__(
        self,
        *,
        store: Store,
        chosen: ChosenLevels,
        inventory: Inventory,
        desired: Desired,
        changes: Changes,
        clock: Callable[[], datetime],
    ) -> None:
        self._chosen = chosen
        self._inventory = inventory
        self._desired = desired
        self._changes = changes
        self._clock = clock
        self._memory = LevelMemory(store)
        self._told: dict[str, LevelsTold] = {}
        self._found: set[str] = set()
        """Devices that were heard for the first time in this life, and were not set beside what they told before it."""
        self._awaited: dict[str, Awaited] = {}
        self._ranged: Ranged = {}
        self._ranged_of: tuple[Version | None, Mapping[str, RoomMode]] | None = None
        inventory.listen(self._heard)
        changes.listen(self._changed)

    async def tick(self) -> None:
        """Write down what was chosen and has settled."""
        now = self._clock()
        if self._desired.version is None:
            return
        self._awaited = {d: one for d, one in self._awaited.items() if now - one.since < AWAITED_FOR}
        if self._found:
            await self._follow_found()
        await self._chosen.write_settled()
        held = self._changes.devices_in_change()
        await self._memory.write(now, ranged=self._positions().keys(), held=held)

    def _heard(self, state: State) -> None:
        device = state.id
        positions = self._positions().get(device)
        if positions is None:
            return
        known = self._inventory.known(device).record
        if known.description is None or known.conflicts:
            return
        ours = device in self._awaited or device in self._changes.devices_in_change()
        before, self._told[device] = self._told.get(device), levels_told(state, self._clock())
        self._memory.hear(self._told[device])
        if before is None:
            self._found.add(device)
        if device in self._awaited and arrived(state, known.description, self._awaited[device].levels_db):
            del self._awaited[device]
        for choice in followed(before, state, known.description, positions, ours=ours):
            self._chosen.hear(self._level(choice))

    async def _follow_found(self) -> None:
        """What was turned while no daemon listened: what is found beside what was told before, and changes since."""
        before, chosen = await self._memory.told_before(), await self._chosen.current()
        records = await self._changes.records()
        found, self._found = self._found, set()
        for device in sorted(found & before.keys() & self._positions().keys()):
            known = self._inventory.known(device)
            if known.state is None or known.record.description is None or known.record.conflicts:
                continue
            told, positions = left_by(before[device], records), self._positions()[device]
            for choice in followed(told, known.state, known.record.description, positions, ours=False):
                level = self._level(choice)
                if level.key not in chosen or chosen[level.key].level_db != level.level_db:
                    self._chosen.hear(level)

    def _level(self, choice: Choice) -> OperatorLevel:
        p = choice.position
        return OperatorLevel(
            room=p.room,
            position=p.name,
            level_db=choice.level_db,
            at=self._clock(),
            who=choice.who,
            mode=self._desired.venue().rooms[p.room].mode,
        )

    def _changed(self, record: ChangeRecord) -> None:
        """A change of ours ended: until a device has told the levels that it left, what it tells is no choice."""
        self._found -= {plan.device for plan in record.plan.devices}  # whatever was turned before, it moves them
        if not record.state.ended:
            return
        for plan in record.plan.devices:
            left = plan.after if record.state is ChangeState.KEPT else plan.before
            levels_db = levels_left(left)
            known = self._told.get(plan.device)
            if known is not None and any(known.levels_db.get(n) != level_db for n, level_db in levels_db.items()):
                self._awaited[plan.device] = Awaited(since=self._clock(), levels_db=levels_db)

    def _positions(self) -> Ranged:
        """Worked out again only where the files or a mode have changed: every state of every device asks for it."""
        version, modes = self._desired.version, self._desired.modes
        if version is None:
            return {}
        if self._ranged_of is None or self._ranged_of[0] is not version or self._ranged_of[1] is not modes:
            found: dict[str, tuple[Position, ...]] = {}
            for p in self._desired.venue().positions():
                if "level_db" in p.between and not p.life_safety:
                    found[p.device] = (*found.get(p.device, ()), p)
            self._ranged, self._ranged_of = found, (version, modes)
        return self._ranged
