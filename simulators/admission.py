"""Whether a well-formed request is let in: the refusals of the contract, in its order. Only the epoch is written."""

from __future__ import annotations

from dataclasses import replace

from .abilities import Json, Model
from .changes import OpenChange
from .effects import all_live, applied
from .fitting import Work, check_ranges, check_supported
from .request import STAGED_ACTIONS, Refused, Request
from .running import Running


def check(request: Request, work: Work | None, running: Running, boot_id: str, uptime_ms: int) -> None:
    """Raise `Refused` with the first code that applies. A higher epoch is remembered even then."""
    if request.deadline_uptime_ms is not None and request.deadline_uptime_ms < uptime_ms:
        raise Refused("expired", f"the deadline was {uptime_ms - request.deadline_uptime_ms:.0f} ms ago")
    if request.action == "get":
        return
    _check_epoch(request, running)
    _check_abilities(request, work, running.model)
    if request.action in STAGED_ACTIONS:
        change = request.body["change"]
        if running.changes.is_repeat(request.action, change):
            return
        running.changes.check(request.action, change)
    _check_expected(request, boot_id, running.revision)
    _check_progress(request, running)
    if request.action == "identify" and not 1 <= request.body["seconds"] <= 60:
        raise Refused("out_of_range", "seconds is from 1 to 60")
    if work:
        check_ranges(running.model, work)
        _check_store_interval(work, running, uptime_ms)
    if running.model.slots.store_needs_live:
        _check_stores_are_live(request, work, running)
    if "busy" in running.faults:
        raise Refused("busy", "try again later")


def _check_epoch(request: Request, running: Running) -> None:
    seen = running.kept.epoch
    if request.epoch < seen:
        raise Refused("stale_epoch", f"epoch {seen} has been seen")
    if request.epoch > seen:
        running.kept = replace(running.kept, epoch=request.epoch)


def _check_abilities(request: Request, work: Work | None, model: Model) -> None:
    if request.action in STAGED_ACTIONS and not model.stages:
        raise Refused("unsupported", "there is no staging, only set")
    if request.action == "set" and model.stages:
        raise Refused("unsupported", "settings are staged and committed")
    timed = request.body if request.action == "commit" else {}
    if timed.get("revert_after_ms") is not None and "revert_timer" not in model.features:
        raise Refused("unsupported", "there is no revert timer")
    if timed.get("at_uptime_ms") is not None and "common_moment" not in model.features:
        raise Refused("unsupported", "there is no common moment")
    if work:
        check_supported(model, work)


def _check_expected(request: Request, boot_id: str, revision: int) -> None:
    if request.expect is None:
        return
    expected_boot, expected_revision = request.expect
    if expected_boot != boot_id:
        raise Refused("wrong_boot", f"this boot is {boot_id}")
    if expected_revision != revision:
        raise Refused("wrong_revision", f"revision is {revision}")


def _check_progress(request: Request, running: Running) -> None:
    if request.action == "commit":
        phase = request.body["phase"]
        if phase not in _open(running).staged:
            raise Refused("not_staged", f"phase {phase} is not staged")
    if request.action == "abort":
        change, opened = request.body["change"], running.changes.open
        under_way = opened is not None and opened.change == change and opened.committed
        if under_way or running.changes.ending(change) == "kept":
            raise Refused("committed", "it is done; revert it while it is open")


def _check_store_interval(work: Work, running: Running, uptime_ms: int) -> None:
    if not work.slot_contents or running.stored_at_ms is None:
        return
    left_ms = running.stored_at_ms + running.model.slots.store_interval_s * 1000 - uptime_ms
    if left_ms > 0:
        raise Refused("store_too_soon", f"wait {left_ms:.0f} ms")


def _check_stores_are_live(request: Request, work: Work | None, running: Running) -> None:
    model, slots, live = running.model, running.kept.slots, running.live
    contents: list[Json] = []
    if request.action == "commit":
        work = _open(running).staged[request.body["phase"]]
    if request.action == "keep":
        contents = _open(running).all_contents()
    elif request.action in ("commit", "set") and work:
        contents = list(work.slot_contents)
        live = applied(model, slots, live, work)
    if not all_live(model, slots, live, contents):
        raise Refused("not_live", "only what is live can be stored")


def _open(running: Running) -> OpenChange:
    assert running.changes.open is not None
    return running.changes.open
