"""Commands of snapshots: take, show, compare, export, witness; and verify, which needs nothing but the file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from fleet.errors import BadInput
from fleet.faces import snapshot_documents
from fleet.faces.cli import completing, options, show, show_snapshots
from fleet.faces.cli.client import path
from fleet.faces.cli.options import DIFFERS, SAME, Home, Json
from fleet.faces.cli.written_files import read_whole, write_new
from fleet.model.edge import parse
from fleet.model.names import shown
from fleet.model.snapshot import Snapshot, SnapshotBody

snapshot = typer.Typer(
    help="Take, show, compare and export snapshots. All that is reported at a moment, sealed and signed.",
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
    daemon = options.daemon(home)
    document = daemon.post("/snapshots", {"who": options.who(), "note": note})
    options.print_json(document) if json else show_snapshots.snapshot(document, daemon.clock())


@snapshot.command("show")
def show_(
    snapshot_id: Annotated[
        str | None,
        typer.Argument(
            metavar="SNAPSHOT", help="One; without, the list.", show_default=False, autocompletion=completing.snapshots
        ),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List also those before and after changes, which hold their devices alone.")
    ] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the snapshots, or show one.

    Example: fleet snapshot show
    """
    daemon = options.daemon(home)
    document = (
        daemon.get(path("snapshots", snapshot_id))
        if snapshot_id
        else daemon.every("/snapshots", "snapshots", of_changes=everything)
    )
    if json:
        options.print_json(document)
    elif snapshot_id:
        show_snapshots.snapshot(document, daemon.clock())
    else:
        clock = daemon.clock()
        rows = [(clock.minute(s["at"]), s["id"], str(s["devices"]), s["note"]) for s in document["snapshots"]]
        show.table(rows, (f"TAKEN ({clock.name})", "SNAPSHOT", "DEVICES", "NOTE"))


@snapshot.command()
def compare(
    first: Annotated[
        str, typer.Argument(metavar="A", help="One: its id, or an exported file.", autocompletion=completing.snapshots)
    ],
    second: Annotated[str, typer.Argument(metavar="B", help="The other.", autocompletion=completing.snapshots)],
    home: Home = None,
    json: Json = False,
) -> None:
    """Tell by meaning how the second snapshot differs from the first. Two files are compared without a daemon.

    Example: fleet snapshot compare s-1b2c3d4e s-5f6a7b8c
    """
    if Path(first).is_file() or Path(second).is_file():
        from fleet.reconcile.against import compare_snapshots  # noqa: PLC0415 - brings numpy, which takes its time

        found = compare_snapshots(_loaded(first, home), _loaded(second, home))
        document = snapshot_documents.compared(found, first, second)
    else:
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
    kind: Annotated[
        Literal["json", "csv", "html"] | None,
        typer.Option(
            "--as",
            help="What is sealed; a list with a row a setting; a page to read and print. Else by the file's ending.",
        ),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Write a snapshot to a file. As JSON that is canonical, with its hashes and its signature: what can be verified.

    Example: fleet snapshot export s-1b2c3d4e --out autumn.json
    """
    from fleet.faces.proof import exports  # noqa: PLC0415 - brings jinja2 and segno, which take their time

    document = options.daemon(home).get(path("snapshots", snapshot_id))
    wanted = kind or out.suffix.lower().removeprefix(".")
    if wanted in {"csv", "html"}:
        data = (exports.csv_text(document) if wanted == "csv" else exports.html_text(document)).encode()
    else:
        data = snapshot_documents.text(document)
    write_new(out, data)
    if json:
        sealed = {"id": document["id"], "sha256": document["sha256"]}
        options.print_json({"format": "fleet-export/1", **sealed, "file": str(out)})
    else:
        show.say(f"{out}: snapshot {document['id']}, sha256 {document['sha256']}")


@snapshot.command()
def verify(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An exported snapshot.")],
    key: Annotated[
        Path | None,
        typer.Option("--key", metavar="FILE", help="The venue's public key (PEM).", show_default=False),
    ] = None,
    tsa_certificate: Annotated[
        Path | None,
        typer.Option(
            "--tsa-certificate",
            metavar="FILE",
            help="Certificate of the time stamp service, or its root (PEM; several may be in it).",
            show_default=False,
        ),
    ] = None,
    json: Json = False,
    _home: Home = None,
) -> None:
    """Verify a snapshot's file on any computer: no daemon, no database. It names the first entry that is wrong.

    Example: fleet snapshot verify autumn.json --key venue.pem
    """
    from fleet.faces.proof import keys, stamps, verdicts, verifying  # noqa: PLC0415 - only it needs cryptography

    found = verifying.verify(
        read_whole(file),
        key=keys.read_public_key(key) if key is not None else None,
        certificates=stamps.read_certificates(tsa_certificate) if tsa_certificate is not None else (),
    )
    if json:
        options.print_json({**verdicts.verdict_document(found), "file": str(file)})
    else:
        show_snapshots.verdict(str(file), found)
    options.end(SAME if found.right else DIFFERS)


@snapshot.command("key")
def key_(
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="A file for it; it must not exist.", show_default=False)
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Show the public key that the daemon signs with. Give it to whoever is to verify snapshots.

    Example: fleet snapshot key --out venue.pem
    """
    document = options.daemon(home).get("/snapshot-key")
    if out is not None:
        write_new(out, document["pem"].encode())
    if json:
        options.print_json(document)
    else:
        show.say(f"{out}: the public key" if out is not None else document["pem"].rstrip())
        show.say(f"sha256 {document['sha256']}")


@snapshot.command()
def witness(
    snapshot_id: SnapshotId,
    name: Annotated[
        str, typer.Option("--name", metavar="NAME", help="Who countersigned the hash.", show_default=False)
    ] = "",
    note: Annotated[str, typer.Option("--note", help="Where and how.", show_default=False)] = "",
    sha256: Annotated[
        str, typer.Option("--sha256", metavar="HASH", help="The hash as it stands on their paper.", show_default=False)
    ] = "",
    time_stamp: Annotated[
        bool, typer.Option("--time-stamp", help="Instead of a person: the configured service (RFC 3161).")
    ] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Write down who outside has the hash of a snapshot. Without a witness the key's holder could make it anew.

    Example: fleet snapshot witness s-1b2c3d4e --name "Jo Marsh" --note "signed at the hand-over"
    """
    if bool(name) == time_stamp:
        raise BadInput("give either --name or --time-stamp", where="fleet snapshot witness")
    daemon = options.daemon(home)
    if time_stamp:
        document = daemon.post(path("snapshots", snapshot_id, "time-stamps"), {"who": options.who()})
    else:
        body = {"who": options.who(), "name": name, "note": note, "sha256": sha256}
        document = daemon.post(path("snapshots", snapshot_id, "witnesses"), body)
    options.print_json(document) if json else show_snapshots.snapshot(document, daemon.clock())


def _loaded(which: str, home: Path | None) -> Snapshot:
    """A snapshot from a file that is in one piece, or from the daemon."""
    if not Path(which).is_file():
        document = options.daemon(home).get(path("snapshots", which))
    else:
        from fleet.faces.proof import verifying  # noqa: PLC0415 - only files need it

        found = verifying.verify(read_whole(Path(which)))
        hashes = found.checks[0]
        if hashes.result != "right" or found.document is None:
            raise BadInput(f"is not what was exported: {hashes.words}", where=which)
        document = found.document
    body = parse(SnapshotBody, document["body"])
    return Snapshot(id=shown(str(document["id"])), body=body, sha256=document["sha256"])
