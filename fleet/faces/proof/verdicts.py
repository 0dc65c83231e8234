"""The JSON document of what came of verifying a snapshot's file."""

from __future__ import annotations

from fleet.faces.documents import Document
from fleet.faces.proof.verifying import Verdict


def verdict_document(found: Verdict) -> Document:
    """What was checked and what came of it; what the file says of itself is in it only as far as it was checked."""
    document = found.document or {}
    return {
        "format": "fleet-verify/1",
        "right": found.right,
        "id": document.get("id"),
        "sha256": document.get("sha256"),
        "checks": [{"name": c.name, "result": c.result, "words": c.words} for c in found.checks],
        "audit": {"length": found.audit.length, "sha256": found.audit.sha256} if found.audit else None,
        "not_checked": list(found.not_checked),
        "caveats": list(found.caveats),
    }
