"""The JSON documents that the API answers with and `--json` prints; each says its format and the format's number."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from fleet.desired.finding import Check, Checked, Finding
from fleet.model.change import ChangeRecord, JournalEntry
from fleet.model.difference import Comparison, Difference, Grade
from fleet.model.edge import plain
from fleet.model.hold import Hold
from fleet.model.inventory import Sighting
from fleet.model.plan import DevicePlan, Plan
from fleet.model.snapshot import Snapshot
from fleet.model.state import Reported
from fleet.model.venue import Room
from fleet.store.records import SnapshotEntry

if TYPE_CHECKING:  # brings numpy, which takes its time
    from fleet.services.desired import Loaded
    from fleet.services.survey import Surveyed

Document = dict[str, Any]


def difference(d: Difference) -> Document:
    """One difference, its grade as a word."""
    return {**plain(d), "grade": d.grade.word}


def diff(comparison: Comparison, rooms: Iterable[str]) -> Document:
    """What differs, what was noted and what was not checked."""
    grades = Counter(d.grade for d in comparison.differences)
    return {
        "format": "fleet-diff/1",
        "rooms": sorted(rooms),
        "same": comparison.same(),
        "checked": len(comparison.checked),
        "counts": {grade.word: grades[grade] for grade in Grade},
        "differences": [difference(d) for d in comparison.differences],
        "notes": [plain(n) for n in comparison.notes],
        "not_checked": [plain(n) for n in comparison.not_checked],
    }


def devices(found: Iterable[Surveyed], link_trouble: str) -> Document:
    """Devices of the inventory, those that a position names and nobody saw included, and counts of them."""
    rows = [device_row(one) for one in found]
    counts = Counter(row["status"] for row in rows)
    return {
        "format": "fleet-devices/1",
        "link_trouble": link_trouble,
        "counts": {
            "announced": sum(1 for row in rows if row["announced"]),
            "found": sum(1 for row in rows if row["online"]),
            "bound": counts["bound"],
            "missing": counts["missing"],
            "conflicting": counts["conflicting"],
            "unknown": sum(1 for row in rows if row["online"] and not _accounted_for(row)),
        },
        "devices": rows,
    }


def _accounted_for(row: Document) -> bool:
    """Whether a device is known for what it is: bound, kept as a spare, or retired."""
    return bool(row["positions"] or row["spare_for"] or row["retired"])


def device_row(one: Surveyed) -> Document:
    """A device in the list."""
    record = one.record
    return {
        "id": one.id,
        "status": one.status.value,
        "positions": [f"{p.room}/{p.name}" for p in one.positions],
        "spare_for": [f"{room}/{position}" for room, position in one.spare_for],
        "retired": plain(record.retired) if record and record.retired else None,
        "life_safety": any(p.life_safety for p in one.positions),
        "online": record.online if record else False,
        "announced": one.announced,
        **{name: one.told(name) for name in ("serial", "model", "firmware", "mac")},
        "address": record.address if record else "",
        "route": record.route if record else "",
        "first_seen": plain_time(record.first_seen) if record else None,
        "last_seen": plain_time(record.last_seen) if record else None,
        "conflict": one.conflict,
        "trouble": record.trouble if record else "",
        "edited": one.edited,
        "temperature_c": one.temperature_c,
        "faults": list(one.faults),
    }


def device(
    one: Surveyed, reported: Reported | None, sightings: Iterable[Sighting], touched_by: Iterable[ChangeRecord]
) -> Document:
    """One device: its row of the list, what it last told, its slots, its sightings, and changes that touched it."""
    changes = [
        {**_change_row(record), "outcome": next((o.word for o in record.outcomes if o.device == one.id), "")}
        for record in touched_by
    ]
    return {
        "format": "fleet-device/1",
        **device_row(one),
        "references": {
            f"{p.room}/{p.name}": {k: v for k, v in plain(p.references).items() if v} for p in one.positions
        },
        "reported": plain(reported) if reported else None,
        "slots": _slots(one, reported) if reported else [],
        "sightings": [plain(s) for s in sightings],
        "changes": changes,
    }


def _slots(one: Surveyed, reported: Reported) -> list[Document]:
    """Every slot of a device, also those of which it told nothing."""
    ability, active = reported.description.slots, reported.state.active_slot
    rows = []
    for number in range(1, ability.count + 1):
        contents = reported.slots.get(number)
        rows.append(
            {
                "slot": number,
                "name": contents.name if contents else "",
                "kind": "factory" if number in ability.factory else "user",
                "told": contents is not None and contents.outputs is not None,
                "active": number == active,
                "edited": one.edited if number == active else None,
            }
        )
    return rows


def rooms(venue_rooms: Mapping[str, Room], compared: Mapping[str, Comparison], holds: Mapping[str, Hold]) -> Document:
    """Each room and whether it is as it should be, by what its devices last told."""
    return {
        "format": "fleet-rooms/1",
        "rooms": [
            {
                "room": name,
                "name": room.title,
                "house_curve": room.house_curve,
                "positions": len(room.positions),
                "groups": {g.name: list(g.positions) for _, g in sorted(room.groups.items())},
                "same": compared[name].same(),
                "words": sentence(compared[name]),
                "hold": plain(holds[name]) if name in holds else None,
            }
            for name, room in sorted(venue_rooms.items())
        ],
    }


def hold(h: Hold) -> Document:
    """A room on hold."""
    return {"format": "fleet-hold/1", **plain(h)}


def sentence(comparison: Comparison) -> str:
    """Whether a room is as it should be, in one sentence."""
    apart = {(d.room, d.position) for d in comparison.counting()}
    away = [n for n in comparison.not_checked if n.reason != "life_safety"]
    if not apart and not away:
        return "as it should be"
    parts = []
    if apart:
        serious = {(d.room, d.position) for d in comparison.counting() if d.grade is Grade.SERIOUS}
        how = f" ({len(serious)} seriously)" if serious else ""
        parts.append(_count(len(apart), "position differs", "positions differ") + how)
    if away:
        parts.append(f"{_count(len(away), 'position', 'positions')} could not be checked")
    return ", ".join(parts)


def check(checked: Checked) -> Document:
    """What the design check found, and what of it is silenced with a reason."""
    rows = [_finding(f) for f in checked.findings]
    return {
        "format": "fleet-check/1",
        "findings": rows,
        "counts": Counter(row["severity"] for row in rows),
        "silenced": [{**_finding(s.finding), "reason": s.reason} for s in checked.silenced],
    }


def checks(all_of_them: Iterable[Check]) -> Document:
    """What there is to know of checks themselves."""
    return {
        "format": "fleet-checks/1",
        "checks": [
            {
                "name": c.name,
                "severities": list(c.severities),
                "seeks": c.seeks,
                "explains": c.explains,
                "source": c.source,
                "silenceable": c.silenceable,
            }
            for c in all_of_them
        ],
    }


def loaded(result: Loaded) -> Document:
    """What a load put in force."""
    venue = result.version.venue
    return {
        "format": "fleet-load/1",
        "venue": venue.name,
        "version": result.number,
        "sha256": result.version.sha256,
        "unchanged": result.unchanged,
        "rooms": len(venue.rooms),
        "positions": len(venue.positions()),
    }


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
        "empty": p.empty(),
        "devices": [_device_plan(d) for d in p.devices],
        "differences": [difference(d) for d in p.differences],
        "louder": list(p.louder),
        "guards": [plain(g) for g in p.guards],
        "left_out": [plain(x) for x in p.left_out],
        "notes": list(p.notes),
    }


def change(record: ChangeRecord, story: Iterable[JournalEntry] = ()) -> Document:
    """One change, with its journal where it is given."""
    return {
        "format": "fleet-change/1",
        **_change_row(record),
        "devices": [plain(o) for o in record.outcomes],
        "culprits": dict(record.culprits),
        "plan": plan(record.plan),
        "story": [plain(e) for e in story],
    }


def changes(records: Iterable[ChangeRecord]) -> Document:
    """Changes, newest first."""
    return {"format": "fleet-changes/1", "changes": [_change_row(r) for r in records]}


def snapshot(s: Snapshot) -> Document:
    """A whole snapshot: what is exported, and what `sha256` can be worked out from."""
    return {"format": "fleet-snapshot/1", "id": s.id, "sha256": s.sha256, "body": plain(s.body)}


def snapshots(entries: Iterable[SnapshotEntry]) -> Document:
    """Snapshots without their bodies."""
    return {"format": "fleet-snapshots/1", "snapshots": [plain(e) for e in entries]}


def plain_time(moment: Any) -> str:
    """A time as ISO 8601 in UTC."""
    return str(moment.isoformat().replace("+00:00", "Z"))


def _finding(f: Finding) -> Document:
    return {"name": f.name, "severity": f.severity, **plain(f.complaint)}


def _device_plan(d: DevicePlan) -> Document:
    return {
        "device": d.device,
        "positions": [f"{room}/{position}" for room, position in d.positions],
        "stages": d.stages,
        "timer": d.timer,
        "steps": [{"phase": p.word, **{k: v for k, v in plain(w).items() if v}} for p, w in sorted(d.work.items())],
    }


def _change_row(record: ChangeRecord) -> Document:
    return {
        "id": record.id,
        "kind": record.plan.kind,
        "scope": record.plan.scope,
        "who": record.who,
        "why": record.why,
        "state": record.state.value,
        "ended": record.state.ended,
        "started_at": plain_time(record.started),
        "trial_until": plain_time(record.trial_until) if record.trial_until else None,
        "ended_at": plain_time(record.ended) if record.ended else None,
        "undoes": record.plan.undoes,
    }


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
