"""Where the API is reached: on this machine alone, or from others, with what that demands."""

from __future__ import annotations

import ipaddress
import logging
from datetime import UTC, datetime

from fleet.errors import Refused
from fleet.faces.api.serving import Outside
from fleet.faces.certificates import read_certificate
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.services.access import Access

log = logging.getLogger("fleet")

HOW_TO_OPEN = """\
1. without --bind, start the daemon on this machine and make a token for each person and tablet:
   fleet access make NAME --role integrator
   fleet access tablet NAME --rooms ROOM --url https://HOST:PORT --out sheet.html
2. make a certificate: fleet access certificate --for HOST
3. write what that prints into config.toml, with bind, port and hosts, and start the daemon again"""


async def outside_of(config: DaemonConfig, access: Access) -> Outside | None:
    """What serves other machines; nothing where `bind` is this machine's own.

    Raises `Refused` that says how to make what is missing.
    """
    if ipaddress.ip_address(config.bind).is_loopback:
        return None
    missing = [name for name in ("tls_certificate", "tls_key") if getattr(config, name) is None]
    if not await access.good():
        missing.append("an access token that is not expired")
    if missing or config.tls_certificate is None or config.tls_key is None:
        raise Refused(
            f"other machines reach {config.bind}, which demands what is not there: {', '.join(missing)}",
            where="bind",
            remedy=f"To make what is missing:\n{HOW_TO_OPEN}",
        )
    about = read_certificate(config.tls_certificate)
    if about.expires <= datetime.now(UTC):
        log.warning("the certificate %s expired on %s: browsers warn", config.tls_certificate, f"{about.expires:%F}")
    return Outside(address=config.bind, certificate=config.tls_certificate, key=config.tls_key)
