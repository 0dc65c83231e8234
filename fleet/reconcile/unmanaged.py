"""What a recall would change although nothing manages it."""

from __future__ import annotations

from fleet.model.plan import DevicePlan
from fleet.model.state import Reported
from fleet.reconcile.exact import same_setting
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.words import SETTING_WORDS


def unmanaged_changes(plan: DevicePlan, want: WantedDevice, reported: Reported) -> tuple[str, ...]:
    """Each setting that the recall of a plan changes and that is not wanted in any way, in words."""
    if plan.after.active_slot is None:
        return ()
    changes = []
    if want.input is None and plan.after.live.input not in (None, reported.state.live.input):
        changes.append(f"the recall changes the input of {plan.device}, which is not managed")
    for number, after in plan.after.live.outputs.items():
        if number not in want.outputs:
            continue
        managed = {*want.outputs[number].settings.given(), *want.outputs[number].between, "mute"}
        before = reported.state.output(number)
        changes += [
            f"the recall changes {SETTING_WORDS[name]} of {plan.device} output {number}, which is not managed"
            for name in after.given()
            if name not in managed
            and not same_setting(reported.description, number, name, getattr(after, name), getattr(before, name))
        ]
    return tuple(changes)
