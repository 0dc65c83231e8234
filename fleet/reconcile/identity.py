"""Whether a device is still the one the inventory accepted: boots, revisions, serials. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fleet.model.description import Description
from fleet.model.inventory import Identity
from fleet.model.state import State

REMEMBERED_BOOTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a report says of a device's identity. `stale` reports are older than what is known and are dropped."""

    identity: Identity
    conflicts: tuple[str, ...] = ()
    stale: bool = False


def judge(accepted: Identity | None, last: State | None, description: Description, state: State) -> Judgement:
    """Judge a report by the identity accepted so far and the last state taken; the first report is accepted.

    A new boot needs a higher boot count and a boot id not seen before; serial and MAC stay what they were.
    Within a boot, a lower revision is stale.
    """
    if accepted is None:
        conflicts = _serials(description, state)
        return Judgement(identity=identity_of(description, state), conflicts=conflicts)
    conflicts = _serials(description, state)
    if description.serial != accepted.serial:
        conflicts += (f"its serial was {accepted.serial} and is now {description.serial}",)
    if description.mac != accepted.mac:
        conflicts += (f"its MAC address was {accepted.mac or 'not told'} and is now {description.mac or 'not told'}",)
    if state.boot_id == accepted.boot_id:
        stale = last is not None and last.boot_id == state.boot_id and state.revision < last.revision
        return Judgement(identity=accepted, conflicts=conflicts, stale=stale)
    if state.boot_id in accepted.old_boot_ids:
        conflicts += (f"it claims boot {state.boot_id}, which ended before",)
    elif state.boot_count <= accepted.boot_count:
        conflicts += (f"it started anew with boot count {state.boot_count}, not above {accepted.boot_count}",)
    if conflicts:
        return Judgement(identity=accepted, conflicts=conflicts)
    return Judgement(identity=identity_of(description, state, (accepted.boot_id, *accepted.old_boot_ids)))


def identity_of(description: Description, state: State, old_boot_ids: tuple[str, ...] = ()) -> Identity:
    """The identity a device reports."""
    return Identity(
        id=description.id,
        serial=description.serial,
        mac=description.mac,
        boot_count=state.boot_count,
        boot_id=state.boot_id,
        old_boot_ids=old_boot_ids[:REMEMBERED_BOOTS],
    )


def shared_serials(descriptions: Iterable[Description]) -> dict[str, str]:
    """Devices that claim a serial which another claims too, with the sentence to show."""
    by_serial: dict[str, list[str]] = {}
    for description in descriptions:
        by_serial.setdefault(description.serial, []).append(description.id)
    return {
        device: f"serial {serial} is claimed by {' and '.join(sorted(devices))}"
        for serial, devices in by_serial.items()
        if len(devices) > 1
        for device in devices
    }


def _serials(description: Description, state: State) -> tuple[str, ...]:
    if state.serial == description.serial:
        return ()
    return (f"its description says serial {description.serial}, its state {state.serial}",)
