"""Rooms that a check finds something in, and rooms that just pass: one file a check under `checks/`.

A file has the published `source` of its numbers, `devices` by id where the check needs their descriptions (and their
`slot_names`), a second room file `other` where it needs one, more of the `venue` file, and lists of rooms: `bad` ones
with what they `say`, and `good` ones. What the loader itself refuses is `refused`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import yaml

from fleet.desired.check import check
from fleet.desired.finding import Checked, Finding
from fleet.desired.load import load
from fleet.model.description import Description
from fleet.model.edge import parse

FOLDER = Path(__file__).parent / "checks"
VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
OUTPUT = {"passband_hz": [60, 18000], "level_db": {"min": -80, "max": 6}, "delay_ms": {"min": 0, "max": 1000}}
DEVICE = {
    "model": "example-full",
    "sample_rate_hz": 48000,
    "power_up": {"behaviour": "last_state"},
    "slots": {"count": 8, "factory": [1, 2]},
}


@dataclass(frozen=True)
class Case:
    """The rooms of one check."""

    name: str
    source: str
    bad: list[dict[str, Any]]
    good: list[str]
    devices: Mapping[str, Description] = field(default_factory=dict)
    other: str | None = None
    venue: str = ""
    slot_names: Mapping[str, Mapping[int, str]] = field(default_factory=dict)
    today: date | None = None

    def checked(self, room: str) -> Checked:
        """What all checks find in a room."""
        rooms = {"rooms/hall.yaml": f"format: 1\nroom: hall\n{room}"}
        if self.other:
            rooms["rooms/bar.yaml"] = self.other
        version = load({"venue.yaml": VENUE + self.venue, **rooms})
        return check(version, self.devices, lambda _position, _description: (), self.slot_names, self.today)

    def said(self, room: str) -> list[str]:
        """What this check finds in a room: severity, place and words."""
        return [told(each) for each in self.checked(room).findings if each.name == self.name]


def told(finding: Finding) -> str:
    """A finding as the files write it."""
    place = f"{finding.complaint.line}:{finding.complaint.column}"
    return f"{finding.severity} {place} {finding.complaint.text}"


def all_cases() -> dict[str, Case]:
    """Every file of the folder, by its check."""
    return {path.stem: _case(path) for path in sorted(FOLDER.glob("*.yaml"))}


def _case(path: Path) -> Case:
    plain = yaml.safe_load(path.read_text(encoding="utf-8"))
    plain["devices"] = {name: _described(name, own) for name, own in plain.get("devices", {}).items()}
    return Case(name=path.stem, **plain)


def _described(name: str, own: dict[str, Any]) -> Description:
    """A device with settings of its own over the usual ones."""
    output = {**OUTPUT, **{key: own.pop(key) for key in (*OUTPUT, "protective_high_pass_hz") if key in own}}
    slots = {**DEVICE["slots"], **({"stores": own.pop("stores")} if "stores" in own else {})}
    return parse(
        Description,
        {"id": name, "serial": f"SN-{name}", **DEVICE, "slots": slots, "outputs": [{"output": 1, **output}], **own},
    )
