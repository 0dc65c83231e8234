"""Which devices a capture takes, and everything that speaks against it, collected."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import Final, TypeAlias

from fleet.desired.version import Version
from fleet.desired.wording import quoted
from fleet.errors import BadInput
from fleet.model.inventory import DeviceStatus
from fleet.model.names import NAME_PATTERN, shown
from fleet.services.inventory import Inventory

Objections: TypeAlias = list[str]
Skipped: TypeAlias = list[tuple[str, str]]

_ROOM_FILE: Final = re.compile(r"rooms/[A-Za-z0-9][A-Za-z0-9._-]*\.yaml")


def targets(
    inventory: Inventory, version: Version, room: str, devices: Sequence[str], *, all_unbound: bool
) -> tuple[list[str], Skipped, Objections]:
    """The devices to read, those that are left out with the reason, and what speaks against the capture."""
    if all_unbound:
        taken, skipped = _unbound(inventory, version)
        nothing = ["no device without a position answers: there is nothing to capture"] if not taken else []
        return taken, skipped, nothing
    objections = [words for device in devices if (words := _objection(inventory, version, room, device))]
    refused = {device for device in devices if _objection(inventory, version, room, device)}
    return [device for device in dict.fromkeys(devices) if device not in refused], [], objections


def file_of_room(version: Version, room: str, into: str | None, objections: Objections) -> str:
    """The file of a room that is there, if it was asked for by name, or of one that is new."""
    there = version.places.file_of.get(room)
    if there is not None:
        if into is None:
            objections.append(f"room {quoted(room)} is there ({there}): capture into it with --into {there}")
        elif _trail(into) != there:
            objections.append(f"room {quoted(room)} is in {there}, not in {shown(into, 200)}")
        return there
    if re.fullmatch(NAME_PATTERN, room) is None:
        objections.append(f"{quoted(shown(room))} is no name for a room: lower case letters, digits and hyphens")
        return ""
    file = _trail(into) if into is not None else f"rooms/{room}.yaml"
    if file in version.files:
        owner = next((name for name, path in version.places.file_of.items() if path == file), "another room")
        objections.append(f"{file} is the file of room {quoted(owner)}, not of {quoted(room)}")
    elif _ROOM_FILE.fullmatch(file) is None:
        objections.append(f"{shown(file, 200)} is no place for a room's file: rooms/NAME.yaml is")
    return file


def refuse_all(objections: Collection[str]) -> None:
    """Raise `BadInput` with all that speaks against a capture, if anything does."""
    said = list(dict.fromkeys(objections))
    if len(said) == 1:
        raise BadInput(said[0])
    if said:
        raise BadInput("\n  ".join([f"{len(said)} things speak against this capture:", *said]))


def _unbound(inventory: Inventory, version: Version) -> tuple[list[str], Skipped]:
    taken: list[str] = []
    skipped: Skipped = []
    conflicts = inventory.conflicts()
    bound = {position.device for position in version.venue.positions()}
    spares = version.venue.spares()
    for device, status in inventory.statuses(()).items():
        if device in bound:
            continue
        if device in spares:
            continue
        if status is DeviceStatus.CONFLICTING:
            skipped.append((device, f"conflicting: {conflicts[device]}"))
        elif status is DeviceStatus.REACHABLE:
            taken.append(device)
    return sorted(taken, key=str.lower), skipped


def _objection(inventory: Inventory, version: Version, room: str, device: str) -> str:
    """Why a device that was asked for cannot be captured; empty where it can, as far as is known without asking it."""
    name = shown(device)
    positions = version.venue.positions_of(device)
    if any(position.life_safety for position in positions):
        return f"{name} serves life safety, and is never captured"
    if words := inventory.conflicts().get(device):
        return f"{name} is conflicting ({words}), and is not captured; accept it first, if it is the right one"
    if elsewhere := [f"{p.room}/{p.name}" for p in positions if p.room != room]:
        return f"{name} serves {', '.join(elsewhere)} already"
    if device not in {record.id for record in inventory.records()}:
        return f"{name} was never seen; `fleet devices` lists those that were"
    return ""


def _trail(path: str) -> str:
    """A file of the venue folder as the version names it."""
    return path.removeprefix("./")
