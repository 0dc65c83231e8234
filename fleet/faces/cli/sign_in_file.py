"""Where a home is signed in: the daemon of another machine, as `fleet sign-in` left it there for its owner alone."""

from __future__ import annotations

import ipaddress
import json
import os
import re
import stat
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from fleet.errors import BadInput
from fleet.faces.cli.home import open_folder
from fleet.faces.cli.written_files import write_new
from fleet.model.names import shown

NAME: Final = "sign-in.json"
FORMAT: Final = "fleet-sign-in/1"
WRITE: Final = "Write https://HOST:PORT."
LARGEST: Final = 2_000_000
OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO
_HOST: Final = re.compile(r"[a-z0-9]([a-z0-9._-]{0,251}[a-z0-9.])?|[0-9a-f:.]{2,45}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """A daemon's address, the token that opens it, and what is trusted to be it.

    `certificate` holds those that are trusted, PEM; where it is empty, the authorities that this machine knows are.
    `name`, `role` and `expires` are the token's.
    """

    url: str
    token: str = field(repr=False)
    certificate: str = ""
    name: str
    role: str
    expires: datetime


def read_sign_in(home: Path) -> SignIn | None:
    """The daemon that a home is signed in to. Raises `BadInput`, which never has the token."""
    file = home / NAME
    try:
        with file.open(encoding="utf-8", errors="replace") as opened:
            mode, text = stat.S_IMODE(os.fstat(opened.fileno()).st_mode), opened.read(LARGEST)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=str(file)) from None
    if mode & OTHERS:
        remedy = f"Others may have read it: let an integrator revoke it, or chmod 600 {file}"
        raise BadInput("it holds a token, and is not its owner's alone", where=str(file), remedy=remedy)
    found = _read(text)
    if found is None:
        remedy = "`fleet sign-out`, and `fleet sign-in URL` again."
        raise BadInput("is not what `fleet sign-in` of this release writes", where=str(file), remedy=remedy)
    checked_url(found.url, str(file))
    return found


def write_sign_in(home: Path, sign_in: SignIn) -> None:
    """Sign a home in, whole or not at all. Raises `BadInput`."""
    open_folder(home)
    draft = home / f"{NAME}.new"
    draft.unlink(missing_ok=True)
    document = {"format": FORMAT, **asdict(sign_in), "expires": sign_in.expires.isoformat()}
    write_new(draft, (json.dumps(document, indent=2) + "\n").encode())
    draft.replace(home / NAME)


def remove_sign_in(home: Path) -> bool:
    """Sign a home out; whether there was anything to remove."""
    try:
        (home / NAME).unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise BadInput(f"cannot be removed: {error.strerror}", where=str(home / NAME)) from None
    return True


def checked_url(text: str, where: str = "URL") -> str:
    """The address of a daemon, `https://HOST:PORT`; plain http is for this machine alone. Raises `BadInput`.

    What may hold a secret is not told again.
    """
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        parts, host, port = urlsplit(""), "", None
    if parts.username is not None or parts.query or parts.fragment or parts.path not in ("", "/"):
        raise BadInput("an address of a daemon ends with its port", where=where, remedy=WRITE)
    if parts.scheme not in ("https", "http") or _HOST.fullmatch(host) is None or port == 0:
        raise BadInput(f"{shown(text, 100)!r} is no address of a daemon", where=where, remedy=WRITE)
    if parts.scheme == "http" and not is_this_machine(host):
        what = f"http:// would show the token to whoever is between here and {host}"
        raise BadInput(what, where=where, remedy=f"{WRITE} `fleet access certificate` makes what the daemon needs.")
    name = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{name}" + (f":{port}" if port else "")


def is_this_machine(host: str) -> bool:
    """Whether a host is this machine, as it calls itself."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _read(text: str) -> SignIn | None:
    try:
        members = json.loads(text)
        if members.pop("format") != FORMAT or not all(isinstance(value, str) for value in members.values()):
            return None
        return SignIn(**{**members, "expires": datetime.fromisoformat(members["expires"])})
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
