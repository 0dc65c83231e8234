"""Commands of access: make, tablet, list, revoke; and certificate, which needs no daemon."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

import typer

from fleet.errors import BadInput, FleetError
from fleet.faces.cli import options, show
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.home import open_folder
from fleet.faces.cli.options import Home, Json
from fleet.faces.cli.written_files import write_new
from fleet.faces.documents import Document
from fleet.model.access import LONGEST_LIFE, USUAL_LIFE
from fleet.model.names import shown
from fleet.model.venue_time import on_the_clock

LOOPBACK: Final = ("127.0.0.1", "localhost", "::1")
CERTIFICATE, KEY = "certificate.pem", "certificate-key.pem"

_WEB_PAGE: Final = re.compile(r"https?://[!\"$->@-~]{1,290}")
"""Printable ASCII; a query or a fragment would swallow the token that is put behind it."""

access = typer.Typer(
    help="Say who may do what. Tokens, sheets that sign tablets in, and the certificate for TLS.",
    no_args_is_help=True,
)
Rooms = Annotated[
    str, typer.Option("--rooms", metavar="ROOM,…", help="An operator's rooms, with commas.", show_default=False)
]
Expires = Annotated[
    str,
    typer.Option(
        "--expires",
        metavar="TIME",
        help=f"For how long it is good: 90d, at most {LONGEST_LIFE.days}d.",
        show_default=f"{USUAL_LIFE.days}d",
    ),
]
TokenName = Annotated[
    str, typer.Argument(metavar="NAME", help="Whose it is; the journal and the audit log call them so.")
]


@access.command()
def make(
    name: TokenName,
    role: Annotated[
        Literal["integrator", "operator", "auditor"],
        typer.Option("--role", help="What they may do.", show_default=False),
    ],
    rooms: Rooms = "",
    expires: Expires = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FILE", help="Write the token to this new file.", show_default=False),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Make an access token. It is shown this once: only its hash is kept.

    Example: fleet access make ana --role operator --rooms weir-hall,foyer --expires 90d
    """
    daemon = options.daemon(home)
    made = _made(daemon, name, role, rooms, expires, "token")
    if out is not None:
        _write_or_revoke(daemon, made, out, f"{made['token']}\n")
        made["token"] = None
    if json:
        options.print_json(made)
        return
    if out is None:
        show.say(made["token"])
    _tell(made, daemon.clock())
    show.tell(f"It is in {out}, for its owner alone." if out else "Nobody can be told it again: hand it over now.")


@access.command()
def tablet(
    name: TokenName,
    rooms: Rooms,
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="FILE", help="FILE.html, which is not there yet.", show_default=False)
    ],
    url: Annotated[
        str,
        typer.Option(
            "--url",
            metavar="URL",
            help="Where the tablet reaches the daemon: https://HOST:PORT.",
            show_default="the daemon's own, which only this machine can open",
        ),
    ] = "",
    expires: Expires = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write a sheet that signs a tablet in. It is A6, with a QR code, for an operator of these rooms.

    Example: fleet access tablet "Foyer tablet" --rooms foyer --url https://fleet.example:8443 --out foyer.html
    """
    from fleet.faces.sign_in_sheet import SignInSheet, sheet  # noqa: PLC0415 - only this command draws codes

    if out.suffix != ".html":
        raise typer.BadParameter("name the file with --out FILE.html")
    if out.exists():
        raise BadInput("this file is there already", where=str(out), remedy="Name a new file.")
    daemon = options.daemon(home)
    base = _page(url or daemon.url)
    clock = daemon.clock()
    made = _made(daemon, name, "operator", rooms, expires, "tablet")
    drawn = sheet(
        SignInSheet(
            name=made["name"], rooms=made["rooms"], expires=clock.day(made["expires"]), id=made["id"], url=base
        ),
        made["token"],
    )
    _write_or_revoke(daemon, made, out, drawn)
    made |= {"token": None, "file": str(out)}
    if json:
        options.print_json(made)
        return
    show.say(f"{out}: print it at A6, then delete it; whoever has it or the sheet can sign in")
    _tell(made, clock)
    if urlsplit(base).hostname in LOOPBACK:
        show.tell(f"The code leads to {base}, which only this machine can open; give --url for tablets.")


@access.command("list")
def list_(home: Home = None, json: Json = False) -> None:
    """List the access tokens, without their secrets.

    Example: fleet access list
    """
    daemon = options.daemon(home)
    document = daemon.get("/access")
    if json:
        options.print_json(document)
        return
    clock = daemon.clock()
    rows = [
        (
            one["id"],
            one["name"],
            one["role"] if one["kind"] == "token" else f"{one['role']}, {one['kind']}",
            ", ".join(one["rooms"]) or "every room",
            one["state"] if one["state"] != "good" else f"until {clock.day(one['expires'])}",
            clock.day(one["last_used"]) if one["last_used"] else "never",
        )
        for one in document["tokens"]
    ]
    show.table_or_none(rows, ("id", "name", "role", "rooms", "state", "last used"), "there are no access tokens")


@access.command()
def revoke(
    token: Annotated[str, typer.Argument(metavar="ID", help="The token's id; `fleet access list` has them.")],
    home: Home = None,
    json: Json = False,
) -> None:
    """Revoke a token. It opens nothing any more, and whoever is signed in with it is signed out at once.

    Example: fleet access revoke access-1b2c3d4e
    """
    document = options.daemon(home).post(path("access", token, "revoke"), {"who": options.who()})
    if json:
        options.print_json(document)
    else:
        show.say(f"{document['name']} ({document['id']}) opens nothing any more")


@access.command()
def certificate(
    hosts: Annotated[
        list[str],
        typer.Option("--for", metavar="HOST", help="A name or address that browsers will use; repeatable."),
    ],
    renew: Annotated[bool, typer.Option("--renew", help="In place of the one that is there.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Make a certificate for TLS. It is self-signed, good for two years, and needs no daemon.

    Example: fleet access certificate --for fleet.example --for 192.0.2.10
    """
    from fleet.faces.certificates import new_certificate, read_certificate  # noqa: PLC0415 - brings cryptography

    at = options.here(home, "access certificate")
    files = [at / CERTIFICATE, at / KEY]
    if not renew and (there := [file for file in files if file.exists()]):
        raise BadInput("this file is there already", where=str(there[0]), remedy="Take --renew to replace both.")
    made = new_certificate(hosts, datetime.now(UTC))
    open_folder(at)
    for file, data in zip(files, made, strict=True):
        draft = file.with_suffix(".new")
        draft.unlink(missing_ok=True)
        write_new(draft, data)
        draft.replace(file)
    about = read_certificate(files[0])
    document: Document = {
        "format": "fleet-certificate/1",
        "certificate": str(files[0]),
        "key": str(files[1]),
        "hosts": list(about.hosts),
        "expires": about.expires.isoformat(),
        "sha256": about.sha256,
    }
    if json:
        options.print_json(document)
        return
    show.say(f"SHA-256 fingerprint {about.sha256}")
    until = on_the_clock(about.expires, UTC)
    show.tell(f"Good until {until}. Browsers ask once whether to trust it: compare the above.")
    show.tell("For config.toml:")
    show.tell('bind = "0.0.0.0"')
    show.tell("port = 8443")
    show.tell(f"hosts = [{', '.join(_quoted(host) for host in about.hosts)}]")
    show.tell(f"tls_certificate = {_quoted(str(files[0].absolute()))}")
    show.tell(f"tls_key = {_quoted(str(files[1].absolute()))}")


def _made(daemon: Daemon, name: str, role: str, rooms: str, expires: str, kind: str) -> Document:
    body: Document = {"who": options.who(), "name": name, "role": role, "kind": kind}
    body["rooms"] = [room.strip() for room in rooms.split(",") if room.strip()]
    if expires:
        body["days"] = _days(expires)
    return daemon.post("/access", body)


def _days(text: str) -> int:
    written = re.fullmatch(r"([1-9][0-9]{0,2})d", text.strip())
    if written is None or int(written[1]) > LONGEST_LIFE.days:
        raise BadInput(
            f"{shown(text)!r} is no life of a token", where="--expires", remedy=f"Write 1d to {LONGEST_LIFE.days}d."
        )
    return int(written[1])


def _page(url: str) -> str:
    try:
        host = urlsplit(url).hostname
    except ValueError:
        host = None
    if not host or _WEB_PAGE.fullmatch(url) is None:
        raise BadInput(f"not an address of a web page: {shown(url)}", where="--url", remedy="Write https://HOST:PORT")
    return url.rstrip("/")


def _write_or_revoke(daemon: Daemon, made: Document, out: Path, text: str) -> None:
    """Write what holds a token; where that fails nobody has it, and it is taken back."""
    try:
        write_new(out, text.encode())
    except FleetError:
        daemon.post(path("access", made["id"], "revoke"), {"who": options.who()})
        raise


def _tell(made: Document, clock: Clock) -> None:
    what = f"{made['role']} of {', '.join(made['rooms'])}" if made["rooms"] else made["role"]
    show.tell(
        f"{made['name']} is {what} until {clock.day(made['expires'])}; `fleet access revoke {made['id']}` ends it"
    )


def _quoted(text: str) -> str:
    """A text as TOML has it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
