"""How much louder a plan makes an output: the largest rise of its predicted response at any frequency.

It is a rise from what is live to where ramps end, wherever they begin. Sound from an output that was muted counts as a
rise without bound.
"""

from __future__ import annotations

import math

from fleet.model.plan import DevicePlan
from fleet.model.state import Reported
from fleet.reconcile.response import largest_rise_db


def rises_db(plan: DevicePlan, reported: Reported) -> dict[int, float]:
    """Largest rise in dB of each touched output; infinite where a muted output will sound."""
    result = {}
    for number, after in plan.after.live.outputs.items():
        before = reported.state.output(number)
        ends_muted = before.mute if after.mute is None else after.mute
        if ends_muted:
            continue
        if before.mute:
            result[number] = math.inf
        else:
            result[number] = largest_rise_db(reported.description, number, before, after.over(before))
    return result
