"""The JSON documents of plans and changes."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.diff_documents import difference
from fleet.faces.documents import Document
from fleet.model.change import ChangeRecord, JournalEntry
from fleet.model.edge import plain
from fleet.model.plan import DevicePlan, Plan
from fleet.services.storing_again import StoreAgain


def plan(p: Plan) -> Document:
    """A plan, phase by phase for each device."""
    return {
        "format": "fleet-plan/1",
        "kind": p.kind,
        "scope": p.scope,
        "rooms": list(p.rooms),
        "digest": p.digest,
        "desired_sha256": p.desired_sha256,
        "undoes": p.undoes,
        "until": plain(p.then.until) or "",
        "chosen_levels_db": dict(p.then.levels_db),
        "modes": {room: {"was": p.was.modes.get(room), "then": mode} for room, mode in p.then.modes.items()},
        "empty": p.empty(),
        "devices": [_device_plan(d) for d in p.devices],
        "differences": [difference(d) for d in p.differences],
        "louder": list(p.louder),
        "afterwards": list(p.afterwards),
        "store_again": [f"{room}/{position}" for room, position in p.store_again],
        "guards": [plain(g) for g in p.guards],
        "left_out": [plain(x) for x in p.left_out],
        "notes": list(p.notes),
    }


def change(record: ChangeRecord, story: Iterable[JournalEntry] = ()) -> Document:
    """One change, with its journal where it is given."""
    return {
        "format": "fleet-change/1",
        **change_row(record),
        "devices": [plain(o) for o in record.outcomes],
        "culprits": dict(record.culprits),
        "plan": plan(record.plan),
        "story": [plain(e) for e in story],
    }


def changes(records: Iterable[ChangeRecord], damaged: Iterable[str]) -> Document:
    """Changes, newest first, and what is wrong with those whose records are damaged."""
    return {"format": "fleet-changes/1", "changes": [change_row(r) for r in records], "damaged": list(damaged)}


def store_again(record: ChangeRecord, again: StoreAgain) -> Document:
    """What wants storing again after a recall."""
    places = [f"{room}/{position}" for room, position in again.places]
    return {"format": "fleet-store-again/1", "change": record.id, "positions": places, "offers": list(again.words)}


def change_row(record: ChangeRecord) -> Document:
    """A change in the list of changes."""
    return {
        "id": record.id,
        "kind": record.plan.kind,
        "scope": record.plan.scope,
        "who": record.who,
        "why": record.why,
        "state": record.state.value,
        "ended": record.state.ended,
        "started_at": plain(record.started),
        "trial_until": plain(record.trial_until),
        "ended_at": plain(record.ended),
        "undoes": record.plan.undoes,
    }


def _device_plan(d: DevicePlan) -> Document:
    return {
        "device": d.device,
        "positions": [f"{room}/{position}" for room, position in d.positions],
        "stages": d.stages,
        "timer": d.timer,
        "steps": [{"phase": p.word, **{k: v for k, v in plain(w).items() if v}} for p, w in sorted(d.work.items())],
    }
