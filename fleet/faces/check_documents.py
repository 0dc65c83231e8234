"""The JSON documents of the desired state: what a load put in force, and what the design check finds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

from fleet.desired.finding import Check, Checked, Finding
from fleet.faces.documents import Document
from fleet.model.edge import plain

if TYPE_CHECKING:  # brings numpy, which takes its time
    from fleet.services.desired import Loaded


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


def _finding(f: Finding) -> Document:
    return {"name": f.name, "severity": f.severity, **plain(f.complaint)}
