"""Design checks as people read them in a terminal: findings by place, the list of checks, one check explained."""

from __future__ import annotations

import textwrap

from fleet.faces.cli.show import LONGEST, say, table, width
from fleet.faces.documents import Document
from fleet.model.listing import counted
from fleet.model.names import shown


def findings(document: Document) -> None:
    """What was found, what of it is silenced and why, and how many."""
    for f in document["findings"]:
        _line(f"{_place(f)}: {f['severity']}: {f['text']} [{f['name']}]")
    for f in document["silenced"]:
        _line(f"{_place(f)}: silenced: {f['text']} [{f['name']}] ({f['reason']})")
    counts, silenced = document["counts"], document["silenced"]
    total = ", ".join(counted(counts.get(s, 0), s) for s in ("error", "warning", "note"))
    say(total + (f", {len(silenced)} silenced" if silenced else ""))


def listed(document: Document) -> None:
    """The checks and how serious their findings are."""
    table([(c["name"], ", ".join(c["severities"]), c["seeks"]) for c in document["checks"]], ("CHECK", "FINDS", "WHAT"))


def explained(document: Document) -> None:
    """What a check looks for, why, where that is published, and how it is silenced."""
    for c in document["checks"]:
        say(f"{c['name']} ({', '.join(c['severities'])})")
        _paragraph("Looks for", c["seeks"])
        _paragraph("Why", c["explains"])
        _paragraph("Source", c["source"])
        if c["silenceable"]:
            _paragraph("Silence it", "in the room's file, for the room or at a position:")
            say(f"    silence: [{{check: {c['name']}, reason: why this is right here}}]")
        else:
            _paragraph("Silence it", "this check cannot be silenced.")


def _place(finding: Document) -> str:
    return f"{finding['file']}:{finding['line']}:{finding['column']}"


def _line(text: str) -> None:
    for line in textwrap.wrap(shown(text, LONGEST), width(), subsequent_indent="    ", break_on_hyphens=False):
        say(line)


def _paragraph(head: str, text: str) -> None:
    for line in textwrap.wrap(f"{head}: {text}", width() - 2, break_on_hyphens=False):
        say(f"  {line}")
