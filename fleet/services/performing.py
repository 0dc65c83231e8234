"""Performing the effects of a change on devices: each effect in, one event out, whatever goes wrong."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from fleet.drivers.protocol import Driver
from fleet.errors import BrokerDown, DeviceRefused, FleetError
from fleet.model.description import Description
from fleet.model.plan import DevicePlan
from fleet.model.state import Reported
from fleet.reconcile.progress import (
    Commit,
    Done,
    Effect,
    Event,
    Failed,
    Forget,
    Keep,
    Prepare,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.services.conversing import Conversation

RESTARTED = frozenset({"wrong_boot", "unknown_change"})
"""Refusals of a device that has lost what it held: until kept, a restart returns to the state before."""


class Performer:
    """Performs effects of one change for the devices of its plan. `took` is told each device as it was read."""

    def __init__(
        self,
        driver: Driver,
        change: str,
        epoch: int,
        descriptions: Mapping[str, Description],
        *,
        took: Callable[[Reported], None],
    ) -> None:
        self._driver = driver
        self._took = took
        self._change = change
        self._epoch = epoch
        self._descriptions = descriptions

    async def perform(self, effect: Effect, plan: DevicePlan, wanted: Callable[[], bool]) -> Event | None:
        """Do it for as long as it is wanted, and tell how it went; `None` where no answer is awaited."""
        description = self._descriptions[effect.device]
        talk = Conversation(self._driver, description, self._change, self._epoch, wanted)
        if isinstance(effect, Forget):
            await talk.abort()
            return None
        try:
            event = await _do(talk, effect, plan)
        except BrokerDown as error:
            return Failed(device=effect.device, turn=effect.turn, why=str(error), by_device=False)
        except FleetError as error:
            return Failed(device=effect.device, turn=effect.turn, why=_words(error, effect.device))
        if isinstance(event, ReadBack):
            self._took(event.reported)
        return event


def _words(error: FleetError, device: str) -> str:
    """Why, to stand behind the device's name."""
    if isinstance(error, DeviceRefused) and error.code in RESTARTED:
        return "has restarted in the middle of the change"
    return str(error).removeprefix(device).lstrip(": ")


async def _do(
    talk: Conversation, effect: Prepare | Commit | Read | Keep | Revert | WriteBack, plan: DevicePlan
) -> Event:
    device, turn = effect.device, effect.turn
    match effect:
        case Prepare():
            await talk.prepare(plan.work, plan.expect)
            return Done(device=device, turn=turn)
        case Commit(phase=phase, expect=expect, alone_s=alone_s, after_s=after_s):
            await asyncio.sleep(after_s)
            return Done(device=device, turn=turn, moment=await talk.commit(phase, expect, alone_s))
        case Read(patient=patient):
            reported = await (talk.read_patiently() if patient else talk.read())
            return ReadBack(device=device, turn=turn, reported=reported)
        case Keep():
            return Done(device=device, turn=turn, moment=await talk.keep())
        case Revert():
            await talk.revert()
            return Done(device=device, turn=turn)
        case WriteBack(alone_s=alone_s):
            return Done(device=device, turn=turn, moment=await talk.write_back(plan, turn, alone_s))
