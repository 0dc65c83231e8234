"""Commands for another machine than the daemon's: sign-in, sign-out."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from ssl import PEM_cert_to_DER_cert
from typing import Annotated, Final

import typer

from fleet.errors import BadInput, NoEntry, NotFound, Refused
from fleet.faces.cli import options, show
from fleet.faces.cli.client import default_home, signed_in_to
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.options import Home, Json
from fleet.faces.cli.secret_places import ARGUMENTS
from fleet.faces.cli.sign_in_file import SignIn, checked_url, read_sign_in, remove_sign_in, write_sign_in
from fleet.faces.cli.trusting import certificate_at, certificates_in
from fleet.faces.documents import Document
from fleet.model.access import PREFIX
from fleet.model.names import shown

LONGEST: Final = 2000
LINK: Final = "/sign-in#"
"""What stands between the address and the token in the link of a sheet."""
UNKNOWN: Final = datetime.max.replace(tzinfo=UTC)
_TOKEN: Final = re.compile(rf"{PREFIX}[A-Za-z0-9_-]{{20,190}}")


def sign_in(
    url: Annotated[
        str,
        typer.Argument(metavar="URL", help="The daemon: https://HOST:PORT. A link has it already.", show_default=False),
    ] = "",
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate",
            metavar="FILE",
            help="Trust this certificate alone, or who it signed: PEM.",
            show_default="authorities that this machine knows",
        ),
    ] = None,
    fingerprint: Annotated[
        str,
        typer.Option(
            "--fingerprint",
            metavar="SHA256",
            help="Trust the daemon's certificate if this is its fingerprint.",
            show_default=False,
        ),
    ] = "",
    shown_only: Annotated[bool, typer.Option("--show", help="Only tell where this home is signed in.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Sign this home in to the daemon of another machine. All its commands are for that one from then on.

    The token of `fleet access make`, or the link of a sheet, is asked for, or read from stdin; it is never an argument.

    Example: fleet sign-in https://fleet.example:8443 --fingerprint 5E:AB:20:C4:…
    """
    at = home or default_home()
    before = read_sign_in(at)
    if shown_only:
        if before is None:
            raise NotFound("this home is signed in nowhere", where=str(at), remedy="`fleet sign-in URL` does it.")
        _tell(before, signed_in_to(before).get("/session"), json=json)
        return
    if certificate and fingerprint:
        raise typer.BadParameter("give --certificate or --fingerprint, not both")
    if "#" in url or PREFIX in url:
        what = f"there is a token in it, and {ARGUMENTS}"
        raise BadInput(what, where="URL", remedy="Let an integrator revoke it; give another one when you are asked.")
    if (at / "lock").exists():
        what = "this home is that of a daemon of this machine"
        raise Refused(what, where=str(at), remedy="Name another folder with --home, or FLEET_HOME.")
    typed = checked_url(url) if url else ""
    linked, token = _given()
    if typed and linked not in ("", typed):
        raise BadInput(f"the link leads to {linked}, not to {typed}", remedy="Leave the URL out, or the link.")
    base = typed or linked
    if not base:
        raise BadInput("a token alone does not say where to", where="URL", remedy="Write https://HOST:PORT.")
    if before is not None and before.url != base:
        remedy = "`fleet sign-out` first, or name another home with --home."
        raise Refused(f"this home is signed in to {before.url} already", where=str(at), remedy=remedy)
    trusted = _trusted(base, certificate, fingerprint) or (before.certificate if before else "")
    asked = SignIn(url=base, token=token, certificate=trusted, name="", role="", expires=UNKNOWN)
    session = signed_in_to(asked).get("/session")
    signed = _signed(asked, session)
    write_sign_in(at, signed)
    _tell(signed, session, json=json)


def sign_out(home: Home = None, json: Json = False) -> None:
    """Sign this home out. Its commands are for a daemon of this machine again; needs no daemon.

    Example: fleet sign-out
    """
    at = home or default_home()
    if not remove_sign_in(at):
        raise NotFound("this home is signed in nowhere", where=str(at))
    if json:
        options.print_json({"format": "fleet-signed-out/1", "home": str(at)})
        return
    show.say(f"{at} is signed out")
    show.tell("The token itself stays good: an integrator ends it with `fleet access revoke`.")


def _given() -> tuple[str, str]:
    """The address, where it was a link, and the token. Neither is told again where it is none."""
    if sys.stdin.isatty():
        text = typer.prompt("Token or link (it is not shown)", hide_input=True, err=True)
    else:
        text = sys.stdin.read(LONGEST)
    base, between, token = text.strip().rpartition(LINK)
    if not _TOKEN.fullmatch(token):
        remedy = f"It begins with {PREFIX}; `fleet access make` shows it once."
        raise BadInput("what was given is no token, and no link of a sheet", remedy=remedy)
    return (checked_url(base, "the link") if between else ""), token


def _trusted(url: str, certificate: Path | None, fingerprint: str) -> str:
    if (certificate or fingerprint) and url.startswith("http:"):
        raise BadInput("without TLS there is no certificate", where=url, remedy="Write https://HOST:PORT.")
    if certificate:
        return certificates_in(certificate)
    return certificate_at(url, fingerprint) if fingerprint else ""


def _signed(asked: SignIn, session: Document) -> SignIn:
    """The same with what the daemon says of its token."""
    if session.get("format") != "fleet-session/1":
        raise NotFound(f"what answers at {asked.url} is not the daemon", remedy="Look at its address.")
    if session["by"] != "token":
        what = "this is the token of the daemon's own home, which every start makes anew"
        raise NoEntry(what, remedy="`fleet access make` makes one that lasts.")
    expires = datetime.fromisoformat(session["expires_at"])
    return replace(asked, name=session["name"], role=session["role"], expires=expires)


def _tell(signed: SignIn, session: Document, *, json: bool) -> None:
    """Where, as whom, with what rights, and until when."""
    first = signed.certificate.partition("-----END CERTIFICATE-----")
    pinned = sha256(PEM_cert_to_DER_cert("".join(first[:2]))).hexdigest() if signed.certificate else None
    if json:
        told = {"url": signed.url, "venue": session["venue"], "name": signed.name, "role": signed.role}
        more = {"rooms": session["rooms"], "expires": session["expires_at"], "certificate_sha256": pinned}
        options.print_json({"format": "fleet-signed-in/1", **told, **more})
        return
    rooms = ", ".join(session["rooms"] or ()) or "every room"
    show.say(f"signed in to {session['venue'] or 'a daemon without a venue'} at {signed.url}")
    until = Clock.of(session).told(signed.expires)
    show.say(f"as {shown(signed.name)}, {signed.role} of {rooms}, until {until}")
