"""Who is trusted to be a daemon of another machine, and what is wrong where nobody is. Nothing here goes unchecked.

Sources: X509_V_ERR_… of OpenSSL's x509_vfy.h for the codes; RFC 9525 on names.
"""

from __future__ import annotations

import re
import socket
import ssl
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from fleet.errors import BadInput, FleetError, NoDaemon, Unproven
from fleet.faces.cli.written_files import read_whole
from fleet.model.names import shown

CONNECT_WITHIN_S: Final = 10.0
HTTPS_PORT: Final = 443
LARGEST_BYTES: Final = 1_000_000
PROVE: Final = "give the venue's --fingerprint, or its certificate with --certificate FILE"
LOOK: Final = "Is this machine on the venue's network, and does the daemon run there, with `bind` set?"
_NOT_YET, _EXPIRED, _OTHER_NAME, _OTHER_ADDRESS = 9, 10, 62, 64
_CERTIFICATE: Final = re.compile(r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----", re.DOTALL | re.ASCII)


def trust(certificates: str = "") -> ssl.SSLContext:
    """TLS 1.2 or later with whoever has one of these certificates (PEM), or one that they signed; and a right name.

    Without any, with whom the authorities that this machine knows signed. Raises `ssl.SSLError` for what is none.
    """
    context = ssl.create_default_context(cadata=certificates or None)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificates:  # the venue's own will do, without the authority that signed it
        context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    return context


def trust_nobody() -> ssl.SSLContext:
    """For a daemon of this machine, which is called without TLS."""
    return ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


def certificates_in(file: Path) -> str:
    """The certificates of a file in PEM, and nothing else that is in it. Raises `BadInput`."""
    text = read_whole(file, LARGEST_BYTES).decode("ascii", "replace")
    found = "\n".join(_CERTIFICATE.findall(text))
    try:
        trust(found or "none")
    except ssl.SSLError:
        raise BadInput("this is no certificate in PEM", where=str(file)) from None
    return found


def certificate_at(url: str, fingerprint: str) -> str:
    """The certificate that a daemon shows, where it has this SHA-256 fingerprint. Nothing is sent to it.

    Raises `BadInput`, `NoDaemon`, and `Unproven` where it is another.
    """
    wanted = re.sub(r"[\s:]", "", fingerprint).lower()
    if re.fullmatch(r"[0-9a-f]{64}", wanted) is None:
        what = f"{shown(fingerprint, 100)!r} is no SHA-256 fingerprint: 32 bytes as AB:CD:…"
        raise BadInput(what, where="--fingerprint", remedy="`fleet access certificate` prints it.")
    parts = urlsplit(url)
    try:
        pem = ssl.get_server_certificate((parts.hostname or "", parts.port or HTTPS_PORT), timeout=CONNECT_WITHIN_S)
    except OSError as error:
        raise trouble(url, error) from None
    if sha256(ssl.PEM_cert_to_DER_cert(pem)).hexdigest() != wanted:
        what = f"what answers at {url} has a certificate of another fingerprint: it is not the daemon that was meant"
        remedy = "Compare the fingerprint with the venue's; if they are the same, somebody is in between."
        raise Unproven(what, remedy=remedy)
    return pem


def trouble(url: str, error: BaseException, *, pinned: bool = False) -> FleetError:
    """Why a daemon of another machine is not spoken with, as it was found by the connection.

    `pinned` says that certificates are trusted rather than authorities.
    """
    for cause in _causes(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return _unproven(url, cause.verify_code, pinned=pinned)
    for cause in _causes(error):
        if isinstance(cause, ssl.SSLError):
            return NoDaemon(f"what answers at {url} does not speak TLS as a daemon does", remedy=f"Look at URL. {LOOK}")
        if isinstance(cause, socket.gaierror):
            host = urlsplit(url).hostname
            return NoDaemon(f"no address is known for {host}", remedy="Is it written right, and is the network there?")
        if isinstance(cause, ConnectionRefusedError):
            return NoDaemon(f"nothing listens at {url}", remedy=LOOK)
        if isinstance(cause, TimeoutError):
            return NoDaemon(f"{url} does not answer in time", remedy=LOOK)
    why = next((str(e.strerror) for e in _causes(error) if isinstance(e, OSError) and e.strerror), str(error))
    return NoDaemon(f"{url} does not answer ({why or type(error).__name__})", remedy=LOOK)


def _unproven(url: str, code: int, *, pinned: bool) -> Unproven:
    host = urlsplit(url).hostname
    if code in (_OTHER_NAME, _OTHER_ADDRESS):
        what = f"the certificate at {url} is not for {host}"
        return Unproven(what, remedy="Sign in by a name that `fleet access certificate --for` was given.")
    if code == _EXPIRED:
        return Unproven(
            f"the certificate at {url} has expired",
            remedy="Is the clock of this machine right? Else the venue needs another: "
            "`fleet access certificate --renew`.",
        )
    if code == _NOT_YET:
        what = f"the certificate at {url} is not good yet"
        return Unproven(what, remedy="Is the clock of this machine right?")
    if pinned:
        return Unproven(
            f"what answers at {url} has another certificate than this home trusts",
            remedy=f"If the venue has a new one, sign in again and {PROVE}; if not, somebody is in between.",
        )
    what = f"no authority that this machine knows signed the certificate at {url}"
    return Unproven(what, remedy=f"If it is the venue's own, {PROVE}.")


def _causes(error: BaseException) -> Iterator[BaseException]:
    """An error, and what it came from."""
    at: BaseException | None = error
    while at is not None:
        yield at
        at = at.__cause__ or at.__context__
