"""Design checks: everything that can be found wrong with a version before any sound is made.

Each check is a named pure function; to add one, write it in a `checks_*` module and name it in `CHECKS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fleet.desired import checks_devices, checks_safety, checks_sound
from fleet.desired.finding import Check, Design, Finding, ProblemsOf, Remark
from fleet.desired.load import Version
from fleet.errors import Complaint
from fleet.model.description import Description

CHECKS: Final[Mapping[str, Check]] = {
    "life-safety": checks_safety.life_safety,
    "ceiling": checks_safety.ceiling,
    "output-shared": checks_devices.output_twice,
    "unknown-device": checks_devices.unknown_device,
    "not-representable": checks_devices.not_representable,
    "slot": checks_devices.slot_usable,
    "slot-missing": checks_devices.slot_missing,
    "no-group": checks_devices.no_group,
    "band-frequency": checks_sound.band_frequency,
    "full-range-top": checks_sound.full_range_top,
    "crossover-pair": checks_sound.crossover_pair,
}
"""The checks by name, in the order in which they report: life safety first."""


def check(version: Version, descriptions: Mapping[str, Description], problems_of: ProblemsOf) -> tuple[Finding, ...]:
    """Everything the checks find, in the order of the checks and then of places.

    `descriptions` by device id may be empty or partial; `problems_of` tells what a device cannot represent.
    """
    design = Design(version=version, descriptions=descriptions, problems_of=problems_of)
    remarks = [(name, remark) for name, look in CHECKS.items() for remark in look(design)]
    remarks.sort(key=lambda each: each[1].position.room)  # places are read from one room's file after another
    findings = {_finding(name, remark, version) for name, remark in remarks}
    order = {name: number for number, name in enumerate(CHECKS)}
    return tuple(sorted(findings, key=lambda each: (order[each.name], each.complaint, each.severity)))


def _finding(name: str, remark: Remark, version: Version) -> Finding:
    position = remark.position
    place = version.places.place(position.room, position.name, remark.setting)
    return Finding(name=name, severity=remark.severity, complaint=Complaint(*place, remark.text))
