"""Commands of snapshots: take, show, compare, export."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import Annotated

import typer

from fleet.errors import BadInput
from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import path
from fleet.faces.cli.options import DIFFERS, SAME, Home, Json

snapshot = typer.Typer(
    help="Take, show, compare and export snapshots. One is all that is reported at a moment, sealed by a hash.",
    no_args_is_help=True,
)
SnapshotId = Annotated[
    str, typer.Argument(metavar="SNAPSHOT", help="The snapshot's id.", autocompletion=completing.snapshots)
]


@snapshot.command()
def take(
    note: Annotated[str, typer.Option("--note", help="What it is for.", show_default=False)] = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Read every device and seal what they report.

    Example: fleet snapshot take --note "before the autumn season"
    """
    document = options.daemon(home).post("/snapshots", {"who": options.who(), "note": note})
    options.print_json(document) if json else show.snapshot(document)


@snapshot.command("show")
def show_(
    snapshot_id: Annotated[
        str | None,
        typer.Argument(
            metavar="SNAPSHOT", help="One; without, the list.", show_default=False, autocompletion=completing.snapshots
        ),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the snapshots, or show one.

    Example: fleet snapshot show
    """
    daemon = options.daemon(home)
    document = daemon.get(path("snapshots", snapshot_id) if snapshot_id else "/snapshots")
    if json:
        options.print_json(document)
    elif snapshot_id:
        show.snapshot(document)
    else:
        rows = [(show.minute(s["at"]), s["id"], str(s["devices"]), s["note"]) for s in document["snapshots"]]
        show.table(rows, ("TAKEN (UTC)", "SNAPSHOT", "DEVICES", "NOTE"))


@snapshot.command()
def compare(
    first: Annotated[str, typer.Argument(metavar="A", help="One.", autocompletion=completing.snapshots)],
    second: Annotated[str, typer.Argument(metavar="B", help="The other.", autocompletion=completing.snapshots)],
    home: Home = None,
    json: Json = False,
) -> None:
    """Tell by meaning how the second snapshot differs from the first.

    Example: fleet snapshot compare s-1b2c3d4e s-5f6a7b8c
    """
    document = options.daemon(home).get(path("snapshots", first, "against", second))
    if json:
        options.print_json(document)
    else:
        show.tell(f"what {second} holds, against what {first} holds (here called wanted)")
        show.differences(document)
    options.end(SAME if document["same"] else DIFFERS)


@snapshot.command()
def export(
    snapshot_id: SnapshotId,
    out: Annotated[Path, typer.Option("--out", "-o", help="The file to write; it must not exist.")],
    home: Home = None,
    json: Json = False,
) -> None:
    """Write a snapshot to a file. That is canonical JSON, with the hash that seals it.

    Example: fleet snapshot export s-1b2c3d4e --out autumn.json
    """
    document = options.daemon(home).get(path("snapshots", snapshot_id))
    try:
        with out.open("x", encoding="utf-8") as file:
            json_text.dump(document, file, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            file.write("\n")
    except OSError as error:
        remedy = "Name a new file." if isinstance(error, FileExistsError) else ""
        raise BadInput(f"cannot write: {error.strerror}", where=str(out), remedy=remedy) from None
    if json:
        sealed = {"id": document["id"], "sha256": document["sha256"]}
        options.print_json({"format": "fleet-export/1", **sealed, "file": str(out)})
    else:
        show.say(f"{out}: snapshot {document['id']}, sha256 {document['sha256']}")
