"""Commands of the audit log: show, verify, export."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import Annotated

import typer

from fleet.errors import BadInput
from fleet.faces.cli import options, show, show_snapshots
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.options import DIFFERS, SAME, Home, Json, Since
from fleet.faces.cli.written_files import read_whole, write_new
from fleet.faces.documents import Document
from fleet.model.names import shown

MOST_LINES = 10_000
COLUMNS = ("number", "at", "who", "role", "what", "about", "why", "source", "result", "previous", "sha256")

audit = typer.Typer(
    help="Show and export the audit log. Who did what, when, from where, and how it ended.",
    no_args_is_help=True,
)


@audit.command("show")
def show_(
    since: Since = "",
    who: Annotated[str | None, typer.Option("--who", metavar="NAME", help="Only theirs.", show_default=False)] = None,
    lines: Annotated[int, typer.Option("--lines", metavar="N", min=1, max=MOST_LINES, help="The last so many.")] = 20,
    home: Home = None,
    json: Json = False,
) -> None:
    """Show the last entries, the newest at the end.

    Example: fleet audit show --since 8h
    """
    daemon = options.daemon(home)
    clock = daemon.clock()
    document = daemon.every("/audit", "entries", lines, who=who, since=clock.since(since))
    if json:
        options.print_json(document)
    else:
        show_snapshots.audit(document["entries"][::-1], clock)


@audit.command()
def verify(
    snapshots: Annotated[
        list[Path] | None,
        typer.Option(
            "--snapshot",
            metavar="FILE",
            help="An exported snapshot to hold the log against; repeatable.",
            show_default=False,
        ),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Follow the log, and name the first entry that is wrong.

    What is missing at its end shows only against a snapshot that somebody kept.

    Example: fleet audit verify --snapshot autumn.json
    """
    kept = [_head_in(file) for file in snapshots or ()]
    document = options.daemon(home).get("/audit/verify", kept=kept)
    if json:
        options.print_json(document)
    elif document["right"]:
        show.say(
            f"entries 1 to {document['length']} are what was written" if document["length"] else "the log is empty"
        )
        show.say(f"sha256 {document['sha256']}")
    else:
        show.say(document["fault"])
        show.say(f"entries up to {document['length']} are what was written")
    if not json:
        against = ", ".join(document["held_against"])
        show.tell(f"held against {against}" if against else "held against no snapshot: a cut at the end would not show")
    options.end(SAME if document["right"] else DIFFERS)


@audit.command()
def export(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to write, .json or .csv; it must not exist.")],
    since: Since = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write the log to a file. As JSON every hash in it can be worked out again.

    Example: fleet audit export log.csv --since 2031-05-01T00:00
    """
    if file.suffix not in (".json", ".csv"):
        raise BadInput("its name says no format", where=str(file), remedy="Name it .json or .csv.")
    daemon = options.daemon(home)
    entries = _all(daemon, daemon.clock().since(since))
    if file.suffix == ".json":
        data = json_text.dumps({"format": "fleet-audit/1", "entries": entries}, ensure_ascii=False, indent=1) + "\n"
    else:
        from fleet.faces.handover.cells import table_text  # noqa: PLC0415 - the package brings matplotlib

        data = table_text(COLUMNS, ([entry[name] for name in COLUMNS] for entry in entries))
    write_new(file, data.encode())
    if json:
        options.print_json({"format": "fleet-audit-export/1", "file": str(file), "entries": len(entries)})
    else:
        show.say(f"{file}: {'1 entry' if len(entries) == 1 else f'{len(entries)} entries'}")


def _all(daemon: Daemon, since: str | None) -> list[Document]:
    """Every entry, oldest first."""
    entries: list[Document] = daemon.every("/audit", "entries", since=since)["entries"]
    return entries[::-1]


def _head_in(file: Path) -> str:
    """The head of the log that a snapshot carries, as the daemon asks for it. The snapshot has to be in one piece."""
    from fleet.faces.proof import verifying  # noqa: PLC0415 - only this command needs cryptography

    found = verifying.verify(read_whole(file))
    wrong = next((check for check in found.checks if check.result == "wrong"), None)
    if wrong is not None:
        raise BadInput(f"cannot speak for the log, since its {wrong.name} is wrong: {wrong.words}", where=str(file))
    if found.audit is None:
        raise BadInput("carries no head of the audit log", where=str(file))
    return f"{found.audit.length}:{found.audit.sha256}:{shown(file.name, 100)}"
