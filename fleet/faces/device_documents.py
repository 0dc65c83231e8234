"""The JSON documents of devices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

from fleet.faces.change_documents import change_row
from fleet.faces.documents import Document
from fleet.model.change import ChangeRecord
from fleet.model.edge import plain
from fleet.model.inventory import Sighting
from fleet.model.state import Reported

if TYPE_CHECKING:  # brings numpy, which takes its time
    from fleet.services.survey import Surveyed


def devices(found: Iterable[Surveyed], link_trouble: str, passed_over: int) -> Document:
    """Devices of the inventory, those that a position names and nobody saw included, and counts of them.

    `passed_over` is how often something was heard of a device for which the inventory had no room.
    """
    rows = [device_row(one) for one in found]
    counts = Counter(row["status"] for row in rows)
    return {
        "format": "fleet-devices/1",
        "link_trouble": link_trouble,
        "passed_over": passed_over,
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
        "first_seen": plain(record.first_seen) if record else None,
        "last_seen": plain(record.last_seen) if record else None,
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
        {**change_row(record), "outcome": next((o.word for o in record.outcomes if o.device == one.id), "")}
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


def _accounted_for(row: Document) -> bool:
    """Whether a device is known for what it is: bound, kept as a spare, or retired."""
    return bool(row["positions"] or row["spare_for"] or row["retired"])


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
