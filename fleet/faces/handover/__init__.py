"""The hand-over as documents: one page for people, lists for spreadsheets. Nothing in them reaches for a network."""

from __future__ import annotations

from fleet.faces import snapshot_documents
from fleet.faces.handover.lists import lists
from fleet.faces.handover.page import page
from fleet.services.handover.pack import HandOver

PAGE = "handover.html"
SNAPSHOT = "snapshot.json"


def rendered(pack: HandOver) -> dict[str, str]:
    """The files of a hand-over by name: the page, the lists, and the snapshot as it is exported."""
    sealed = snapshot_documents.text(snapshot_documents.snapshot(pack.snapshot)).decode()
    return {PAGE: page(pack), **lists(pack), SNAPSHOT: sealed}
