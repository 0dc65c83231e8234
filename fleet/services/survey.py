"""A survey of the devices: each with its positions and how it is, chosen and put in order as somebody asks."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fleet.errors import NotFound
from fleet.model.inventory import DeviceRecord, DeviceStatus, SortKey
from fleet.model.names import shown
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.edited import edited
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """One device. `record` is `None` where a position names it and nobody ever saw it.

    `edited` is `None` where it cannot be told. Its health is what it last told.
    """

    id: str
    status: DeviceStatus
    record: DeviceRecord | None
    positions: tuple[Position, ...]
    spare_for: tuple[tuple[str, str], ...]
    conflict: str
    announced: bool
    edited: bool | None
    temperature_c: float | None
    faults: tuple[str, ...]

    def told(self, name: str) -> str:
        """A member of its description, or nothing."""
        description = self.record.description if self.record else None
        return str(getattr(description, name)) if description else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyAsked:
    """Which devices are wanted; every condition must hold, and one that is not given always does.

    Of `statuses` one must hold. Text is compared without regard to case.
    """

    room: str | None = None
    model: str | None = None
    firmware: str | None = None
    statuses: tuple[DeviceStatus, ...] = ()
    not_bound: bool = False
    edited: bool = False
    unhealthy: bool = False
    circuit: str | None = None
    switch_port: str | None = None
    sort: SortKey = "id"


def survey(inventory: Inventory, desired: Desired, asked: SurveyAsked) -> list[Surveyed]:
    """The devices that are wanted, in order. Raises `NotFound` for an unknown room."""
    rooms = desired.version.venue.rooms if desired.version else {}
    if asked.room is not None and asked.room not in rooms:
        raise NotFound(f"no room {shown(asked.room)!r}", remedy="`fleet rooms` lists them.")
    found = [one for one in _everything(inventory, desired) if _wanted(one, asked)]
    return sorted(found, key=_ORDERS[asked.sort])


def _everything(inventory: Inventory, desired: Desired) -> list[Surveyed]:
    positions: dict[str, list[Position]] = {}
    for position in desired.version.venue.positions() if desired.version else ():
        positions.setdefault(position.device, []).append(position)
    spares = desired.version.venue.spares() if desired.version else {}
    records = {record.id: record for record in inventory.records()}
    conflicts = inventory.conflicts()
    return [
        _surveyed(
            inventory.reported(device),
            id=device,
            status=status,
            record=records.get(device),
            positions=tuple(positions.get(device, ())),
            spare_for=spares.get(device, ()),
            conflict=conflicts.get(device, ""),
            announced=device in inventory.announced,
        )
        for device, status in inventory.statuses(positions).items()
    ]


def _surveyed(reported: Reported | None, **known: Any) -> Surveyed:
    return Surveyed(
        **known,
        edited=edited(reported) if reported else None,
        temperature_c=reported.state.temperature_c if reported else None,
        faults=reported.state.faults if reported else (),
    )


def _wanted(one: Surveyed, asked: SurveyAsked) -> bool:
    texts: Sequence[tuple[str | None, list[str]]] = (
        (asked.room, [p.room for p in one.positions]),
        (asked.model, [one.told("model")]),
        (asked.firmware, [one.told("firmware")]),
        (asked.circuit, [p.references.circuit for p in one.positions]),
        (asked.switch_port, [p.references.switch_port for p in one.positions]),
    )
    return (
        all(wanted is None or wanted.casefold() in map(str.casefold, found) for wanted, found in texts)
        and (not asked.statuses or one.status in asked.statuses)
        and not (asked.not_bound and one.positions)
        and not (asked.edited and not one.edited)
        and not (asked.unhealthy and not one.faults)
    )


def _natural(text: str) -> list[tuple[int, str]]:
    """Text in the order in which people count: `box-2` before `box-10`, `1.9` before `1.10`."""
    return [
        (int(part), "") if part.isdecimal() else (-1, part.casefold()) for part in re.findall(r"\d{1,18}|\D+", text)
    ]


_ORDERS: Final[dict[SortKey, Callable[[Surveyed], Any]]] = {
    "id": lambda one: one.id,
    "model": lambda one: (not one.told("model"), _natural(one.told("model")), one.id),
    "firmware": lambda one: (not one.told("firmware"), _natural(one.told("firmware")), one.id),
    "room": lambda one: (not one.positions, [(p.room, _natural(p.name)) for p in one.positions], one.id),
    "last-seen": lambda one: (-one.record.last_seen.timestamp() if one.record else 0.0, one.id),
}
"""Devices of which nothing is known come last; the one seen last comes first."""
