"""Snapshots and the audit log as a person reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fleet.faces.cli.clock import Clock
from fleet.faces.cli.show import MOST_SHOWN, NOT_CHECKED, say, table
from fleet.faces.documents import Document
from fleet.faces.proof.times import in_utc
from fleet.model.listing import counted
from fleet.model.names import shown

if TYPE_CHECKING:
    from fleet.faces.proof.verifying import Verdict  # it brings cryptography, which only verifying needs

_MARKS: Final = {"right": "right", "wrong": "WRONG", "not checked": "not checked"}


def snapshot(document: Document, clock: Clock) -> None:
    """What a snapshot holds, who is missing in it, its seal, and what it does not prove."""
    body, signature = document["body"], document.get("signature")
    venue = body["venue"] or "no venue"
    table([(f"snapshot {document['id']} of {venue}, taken {clock.told(body['at'], 'seconds')} by {body['taken_by']}",)])
    for line in (body["note"], body.get("scope")):
        if line:
            table([(line,)], indent=2)
    say(f"  {counted(len(body['devices']), 'device')} read, {len(body['not_read'])} not read")
    table([(n["position"] or n["device"], n["words"]) for n in body["not_read"][:MOST_SHOWN]], indent=4)
    if (more := len(body["not_read"]) - MOST_SHOWN) > 0:
        say(f"    and {more} more (--json lists them)")
    say(f"  sha256 {document['sha256']}")
    say(f"  key    {body['key_sha256']}" if signature else "  not signed")
    for witness in document.get("witnesses", ()):
        table([(f"{witness['kind']}: {shown(witness['name'])}, {clock.told(witness['at'])}",)], indent=2)
    for line in NOT_CHECKED:
        say(f"  {line}")


def verdict(file: str, found: Verdict) -> None:
    """What came of verifying a file: each check, the audit log's head, and what none of it shows."""
    document = found.document
    if document is not None and isinstance(body := document.get("body"), dict):
        said = {name: shown(str(body.get(name, "")), 100) for name in ("venue", "taken_by", "note")}
        head = f"{file}: snapshot {shown(str(document.get('id')))} of {said['venue'] or 'no venue'}"
        table([(f"{head}, taken {in_utc(body.get('at', ''))} by {said['taken_by']}",)])
        if said["note"]:
            table([(said["note"],)], indent=2)
    else:
        table([(file,)])
    table([(check.name, _MARKS[check.result], check.words) for check in found.checks], indent=2)
    if found.audit is not None:
        say(f"  it carries the audit log's head, entry {found.audit.length}:")
        say(f"    {found.audit.sha256}")
    lines = [*found.not_checked[:MOST_SHOWN], *found.caveats]
    table([("-", line) for line in lines], indent=2)
    if (more := len(found.not_checked) - MOST_SHOWN) > 0:
        say(f"  and {more} more not read (--json lists them)")


def audit(entries: list[Document], clock: Clock) -> None:
    """Entries of the audit log, oldest first."""
    for entry in entries:
        who = f"{entry['who']} ({entry['role']})" if entry["who"] != entry["role"] else entry["who"]
        say(f"{entry['number']}  {clock.told(entry['at'], 'seconds')}  {who}, {entry['source']}")
        about = f": {entry['about']}" if entry["about"] else ""
        table([(f"{entry['what']}{about}",)], indent=4)
        if entry["why"]:
            table([(f"why: {entry['why']}",)], indent=4)
        table([(entry["result"],)], indent=4)
