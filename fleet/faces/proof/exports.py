"""A snapshot's document as a list for spreadsheets or a page to print. Each says what was not checked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import segno
from markupsafe import Markup

from fleet import __version__
from fleet.faces import snapshot_documents
from fleet.faces.documents import Document
from fleet.faces.proof.rows import devices_of
from fleet.faces.proof.times import in_utc
from fleet.faces.proof.verifying import RESIGN, verify
from fleet.faces.templates import style_of, templates_in

TEMPLATES: Final = Path(__file__).parent / "templates"
HEADS: Final = ("subject", "device", "serial", "model", "firmware", "output", "setting", "value")


def csv_text(document: Document) -> str:
    """One row a setting; before them what the snapshot is, and after them what was not checked."""
    from fleet.faces.handover.cells import table_text  # noqa: PLC0415 - the package brings matplotlib

    return table_text(HEADS, _rows(document))


def html_text(document: Document) -> str:
    """One page that holds everything it shows. Every text in it is bounded and escaped, wherever it came from."""
    environment = templates_in(TEMPLATES)
    environment.filters["utc"] = in_utc
    sha256 = str(document["sha256"])
    code = segno.make(f"fleet snapshot {document['id']} sha256 {sha256}", error="m", micro=False)
    return environment.get_template("snapshot.html").render(
        id=document["id"],
        sha256=sha256,
        body=document["body"],
        signature=document.get("signature"),
        witnesses=document.get("witnesses", []),
        devices=list(devices_of(document["body"])),
        not_checked=_not_checked(document),
        resign=RESIGN,
        tool=__version__,
        style=style_of(TEMPLATES / "snapshot.css"),
        code=Markup(code.svg_inline(scale=3, border=4, title=f"sha256 {sha256}")),  # noqa: S704 - of our own making
    )


def _rows(document: Document) -> Iterator[tuple[str, ...]]:
    body = document["body"]
    audit = body.get("audit") or {}
    about = {name: body.get(name, "") for name in ("venue", "at", "taken_by", "note", "scope", "key_sha256")}
    about = {"id": document["id"], "sha256": document["sha256"], **about}
    about |= {"audit_length": audit.get("length", ""), "audit_sha256": audit.get("sha256", "")}
    yield from (("snapshot", *[""] * 5, name, str(value)) for name, value in about.items())
    for device in devices_of(body):
        for row in device.rows:
            yield (*(row.subject, row.device, row.serial, row.model, row.firmware, row.output, row.setting, row.value),)
    yield from (("not checked", *[""] * 6, line) for line in _not_checked(document))


def _not_checked(document: Document) -> tuple[str, ...]:
    return verify(snapshot_documents.text(document)).not_checked
