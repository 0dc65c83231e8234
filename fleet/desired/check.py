"""Design checks: everything that can be found wrong with a version before any sound is made.

Each check is a named pure function; to add one, write it in a `checks_*` module and name it in that module's `CHECKS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

from fleet.desired import (
    checks_ceiling,
    checks_crossovers,
    checks_days,
    checks_devices,
    checks_eq,
    checks_filters,
    checks_level,
    checks_lines,
    checks_loudspeakers,
    checks_modes,
    checks_pairs,
    checks_safety,
    checks_sets,
    checks_slots,
    checks_swaps,
    checks_timing,
)
from fleet.desired.checks_modes import remarks_in_modes
from fleet.desired.finding import Check, Checked, Design, Finding, ProblemsOf, Remark, Silenced
from fleet.desired.version import Version
from fleet.desired.wording import nearest, quoted
from fleet.errors import Complaint, NotFound
from fleet.model.description import Description
from fleet.model.venue import Position

CHECKS: Final[Mapping[str, Check]] = {
    check.name: check
    for module in (
        checks_safety,
        checks_devices,
        checks_swaps,
        checks_slots,
        checks_modes,
        checks_eq,
        checks_filters,
        checks_crossovers,
        checks_timing,
        checks_sets,
        checks_pairs,
        checks_level,
        checks_lines,
        checks_loudspeakers,
        checks_ceiling,
        checks_days,
    )
    for check in module.CHECKS
}
"""The checks by name, in the order in which they report: life safety first."""


def check(
    version: Version,
    descriptions: Mapping[str, Description],
    problems_of: ProblemsOf,
    slot_names: Mapping[str, Mapping[int, str]] | None = None,
    today: date | None = None,
) -> Checked:
    """Everything the checks find, in the order of the checks and then of places.

    `descriptions` by device id may be empty or partial; `problems_of` tells what a device cannot represent;
    `slot_names` the names of a device's preset slots, as far as they were told; `today` is the day at
    the venue.
    """
    design = Design(
        version=version,
        descriptions=descriptions,
        problems_of=problems_of,
        slot_names=slot_names or {},
        today=today,
    )
    plain = [(name, remark) for name, one in CHECKS.items() for remark in one.look(design)]
    remarks = [*plain, *remarks_in_modes(design, CHECKS, plain)]
    remarks.sort(key=lambda each: _room_of(each[1]))  # places are read from one room's file after another
    reasons = {_finding(name, remark, version): _reason(name, remark, version) for name, remark in remarks}
    order = {name: number for number, name in enumerate(CHECKS)}
    found = sorted(reasons, key=lambda each: (order[each.name], each.complaint, each.severity))
    return Checked(
        findings=tuple(finding for finding in found if not reasons[finding]),
        silenced=tuple(Silenced(finding=each, reason=reasons[each]) for each in found if reasons[each]),
    )


def named(name: str) -> Check:
    """A check by its name. Raises `NotFound` that says which name was probably meant."""
    if name not in CHECKS:
        near = nearest(name, CHECKS)
        raise NotFound(
            f"no check is named {quoted(name)}{near}", remedy="" if near else "`fleet check --list` lists them."
        )
    return CHECKS[name]


def _finding(name: str, remark: Remark, version: Version) -> Finding:
    position = remark.about.name if isinstance(remark.about, Position) else ""
    place = version.places.place(_room_of(remark), position, remark.setting, remark.mode)
    return Finding(name=name, severity=remark.severity, complaint=Complaint(*place, remark.text))


def _reason(name: str, remark: Remark, version: Version) -> str:
    """Why a remark is silenced; empty where it is not."""
    if not CHECKS[name].silenceable:
        return ""
    room = version.venue.rooms[_room_of(remark)]
    silences = [*remark.about.silence, *(one for each in remark.beside for one in each.silence), *room.silence]
    return next((silence.reason for silence in silences if silence.check == name), "")


def _room_of(remark: Remark) -> str:
    return remark.about.room if isinstance(remark.about, Position) else remark.about.name
