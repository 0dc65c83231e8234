"""The change of a walk's step: put on trial, waited for, and taken back. A step that changes nothing has none."""

from __future__ import annotations

import asyncio
import contextlib

from fleet.errors import NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Plan
from fleet.model.walk import Step, Walk
from fleet.services.changes import Changes

OWN_GUARDS = frozenset({"half-room", "live-click", "many-devices"})
"""Lifted by a walk itself: to silence a whole room is what it is for."""
LOOK_AGAIN_S = 0.2
WAIT_S = 5.0


class WalkTrials:
    """Trials of steps, until the daemon stops: then every wait ends with `Refused`."""

    def __init__(self, changes: Changes, closing: asyncio.Event) -> None:
        self._changes = changes
        self._closing = closing

    def refuse_closing(self) -> None:
        """Raise `Refused` where the daemon is stopping."""
        if self._closing.is_set():
            raise Refused("the daemon is stopping")

    async def try_out(self, walk: Walk, step: Step, plan: Plan, who: str) -> None:
        """Put the change of a step on trial. Raises `Refused` where it does not come to that: it has gone back then."""
        if not step.change:
            return
        await self._changes.begin(
            plan,
            who=who,
            why=f"walk {walk.id}: {step.position}",
            allow=OWN_GUARDS,
            keep_within_s=walk.step_within_s,
            change=step.change,
        )
        record = await self.rest_of(step.change, or_trial=True)
        if record.state is not ChangeState.ON_TRIAL:
            raise Refused(
                f"{step.position} could not be tried ({record.state}): {culprits(record)}",
                remedy="Repeat it, or skip it.",
            )

    async def rest_of(self, change: str, *, or_trial: bool = False) -> ChangeRecord:
        """The change at its end, or on trial where that will do."""
        while True:
            self.refuse_closing()
            record = await self._changes.wait(change, WAIT_S, or_trial=or_trial)
            if record.state.ended or (or_trial and record.state is ChangeState.ON_TRIAL):
                return record
            await asyncio.sleep(LOOK_AGAIN_S)

    async def cancelled(self, step: Step | None, who: str) -> ChangeRecord | None:
        """The change of a step at its end; `None` where it has none, or it was never begun."""
        if step is None or not step.change:
            return None
        try:
            record = await self._changes.record(step.change)
        except NotFound:
            return None
        while not record.state.ended:
            self.refuse_closing()
            with contextlib.suppress(Refused):  # it ends just now, or is not taken up yet after a restart
                await self._changes.cancel(step.change, who)
            record = await self._changes.wait(step.change, WAIT_S)
            if not record.state.ended:
                await asyncio.sleep(LOOK_AGAIN_S)
        return record

    async def is_back(self, step: Step | None) -> bool:
        """Whether nothing of a step is left on devices."""
        return step is None or not step.change or (await self._changes.record(step.change)).state.ended

    async def went_back(self, change: str) -> bool:
        """Whether a change, if there is one of this id, has ended with everything as it was before."""
        try:
            record = await self._changes.record(change)
        except NotFound:
            return True
        return record.state.ended and record.state is not ChangeState.NEEDS_PERSON


def culprits(record: ChangeRecord) -> str:
    """What made a change go back."""
    return "; ".join(f"{device}: {words}" if device else words for device, words in record.culprits.items())


def not_taken_back(record: ChangeRecord | None) -> str:
    """Which devices of a change need a person and why, in a sentence; empty where all of it could be taken back."""
    if record is None or record.state is not ChangeState.NEEDS_PERSON:
        return ""
    return f"change {record.id} could not be taken back: {stuck(record)}"


def stuck(record: ChangeRecord) -> str:
    """Devices that need a person, and why."""
    return "; ".join(f"{one.device}: {one.words}" for one in record.outcomes if one.word == "needs a person")
