"""What a device of a change is expected to read back as by now, and what is wrong where it does not."""

from __future__ import annotations

from dataclasses import replace

from fleet.model.plan import Target
from fleet.reconcile.progress import Progress, ReadBack
from fleet.reconcile.readback import deviations
from fleet.reconcile.standing import open_change

MOST_TOLD = 3
"""Settings that are told of a device that reads back wrong."""


def wrong(progress: Progress, event: ReadBack) -> str:
    """What is wrong with a read-back, in words: not as wanted, or too late to be told to keep; empty where nothing."""
    if apart := deviations(_expected(progress, event.device), event.reported):
        more = f" and {len(apart) - MOST_TOLD} more" if len(apart) > MOST_TOLD else ""
        return f"reads back {'; '.join(apart[:MOST_TOLD])}{more}"
    if event.device in progress.kept and open_change(progress.change, event.reported) is not None:
        return "said that it keeps, and has not"
    held = event.reported.state.change
    if progress.step < len(progress.schedule) or held is None or held.reverts_in_ms is None:
        return ""
    if held.reverts_in_ms >= progress.limits.keeping_s * 1000:
        return ""
    return f"goes back by itself in {held.reverts_in_ms / 1000:.0f} s, too soon to be kept safely"


def _expected(progress: Progress, device: str) -> Target:
    """What a device should read back as by now: quiet before anything is unmuted, stored only once kept."""
    plan = progress.device(device)
    if progress.step < len(progress.schedule):
        return plan.quiet
    return plan.after if progress.kept == progress.devices else replace(plan.after, stored=())
