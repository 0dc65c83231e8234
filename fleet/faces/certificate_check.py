"""Is the certificate of the API there, for how long, and is its key its owner's alone."""

from __future__ import annotations

import ipaddress
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from fleet.errors import FleetError
from fleet.faces.api.serving import Outside, tls_of
from fleet.faces.certificates import read_certificate
from fleet.model.venue_time import on_the_clock
from fleet.services.self_check.result import Result, not_checked, ok, trouble, warning

CERTIFICATE, KEY = "certificate", "certificate key"
SOON: Final = timedelta(days=30)
GROUP, OTHERS = 0o070, 0o007
RENEW: Final = "Make another: `fleet access certificate --for HOST --renew`, and start the daemon again."


def check_certificate(bind: str, certificate: Path | None, key: Path | None, now: datetime) -> list[Result]:
    """The certificate and its key, where settings name them; nothing where neither is named or demanded."""
    if certificate is None and key is None and ipaddress.ip_address(bind).is_loopback:
        return []
    if certificate is None or key is None:
        lacking = "tls_certificate" if certificate is None else "tls_key"
        remedy = "`fleet access certificate --for HOST` makes both, and prints what to write into config.toml."
        return [trouble(CERTIFICATE, f"the configuration has no {lacking}", remedy)]
    try:
        about = read_certificate(certificate)
        tls_of(Outside(address=bind, certificate=certificate, key=key))
    except FleetError as error:
        return [trouble(CERTIFICATE, f"{error.where}: {error.what}", error.remedy), _key(key)]
    until = on_the_clock(about.expires, now.tzinfo or UTC)
    if about.expires <= now:
        return [trouble(CERTIFICATE, f"{certificate} expired on {until}", RENEW), _key(key)]
    if about.expires <= now + SOON:
        return [warning(CERTIFICATE, f"{certificate} expires on {until}", RENEW), _key(key)]
    return [ok(CERTIFICATE, f"good until {until}, for {', '.join(about.hosts) or 'no host'}"), _key(key)]


def _key(key: Path) -> Result:
    """Who has the key can pass for the daemon."""
    try:
        mode = stat.S_IMODE(key.stat().st_mode)
    except OSError as error:
        return not_checked(KEY, f"{key} does not tell: {error.strerror}")
    if mode & OTHERS:
        return trouble(KEY, f"others may read or write {key} (mode {mode:o})", f"chmod 600 {key}")
    if mode & GROUP:
        return warning(KEY, f"a group may read or write {key} (mode {mode:o})", f"chmod 600 {key}")
    return ok(KEY, f"{key} is its owner's alone")
