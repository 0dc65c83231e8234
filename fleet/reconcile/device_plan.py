"""One device's part of a plan, from the outlook it is made from."""

from __future__ import annotations

from fleet.model.plan import DevicePlan
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal, reach
from fleet.reconcile.scope import Place


def device_plan(outlook: Outlook, device: str, goal: Goal, places: tuple[Place, ...]) -> DevicePlan | None:
    """How a device that was read reaches a goal; `None` where it is there."""
    return reach(
        outlook.reported[device],
        goal,
        places,
        stages=device not in outlook.plainly,
        timer=device not in outlook.timerless,
        mute_for_recall=goal.recall is None or outlook.venue.mutes_while_recalling(device),
    )
