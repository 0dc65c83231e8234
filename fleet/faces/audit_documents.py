"""The JSON documents of the audit log."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.audit import AuditEntry
from fleet.model.edge import plain
from fleet.services.audit import Followed


def entries(found: Iterable[AuditEntry]) -> Document:
    """Entries, last first."""
    return {"format": "fleet-audit/1", "entries": [plain(entry) for entry in found]}


def followed(found: Followed) -> Document:
    """What following the log brought to light."""
    return {
        "format": "fleet-audit-verify/1",
        "right": not found.fault,
        "length": found.head.length,
        "sha256": found.head.sha256,
        "fault": found.fault,
        "held_against": list(found.held_against),
    }
