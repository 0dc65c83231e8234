"""Rooms recalled in modes from inside the daemon, as a person would do it who lifts no guard."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fleet.errors import Refused
from fleet.model.change import ChangeState
from fleet.model.plan import LeftOut
from fleet.reconcile.scope import Scope
from fleet.services.changes import Changes
from fleet.services.planning import Asked

LONGEST_S: Final = 600.0
"""A change that has not ended by then is told of as one that goes on."""


class ModeRecaller:
    """Brings rooms into modes by a change."""

    def __init__(self, changes: Changes) -> None:
        self._changes = changes

    async def bring(self, modes: Mapping[str, str], *, who: str, why: str) -> tuple[LeftOut, ...]:
        """See `bringing.Recaller`."""
        plan = await self._changes.plan(Asked(kind="recall", scope=Scope(rooms=tuple(modes)), modes=modes))
        record = await self._changes.begin(plan, who=who, why=why)
        record = await self._changes.wait(record.id, LONGEST_S)
        if record.state is not ChangeState.KEPT:
            reasons = "; ".join(dict.fromkeys(record.culprits.values()))
            why_not = f": {reasons}" if reasons else ""
            raise Refused(f"the change is {record.state}{why_not}", remedy=f"See `fleet changes {record.id}`")
        return plan.left_out
