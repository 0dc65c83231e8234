"""Where a request says that it comes from and goes to: is it our own page, and is it meant for us.

Sources: Fetch Standard on `Origin`; Fetch Metadata Request Headers on `Sec-Fetch-Site`; RFC 9110, section 7.2, `Host`.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection
from typing import Final

from starlette.datastructures import Headers
from starlette.types import Scope

LOOPBACK_NAMES: Final = frozenset({"localhost", "127.0.0.1", "::1"})


def ours(scope: Scope, headers: Headers, *, unless_told: bool = False) -> bool:
    """Whether a request comes from our own page. `unless_told` takes one from no browser, which says nothing, too."""
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is None and site is None:
        return unless_told
    if site is not None and site != "same-origin":
        return False
    host = headers.get("host", "")
    # https also where we see http: who answers TLS in front of us has this name, and then this is its page
    return origin is None or origin.lower() in {f"{scope['scheme']}://{host}".lower(), f"https://{host}".lower()}


def meant_for_us(scope: Scope, headers: Headers, hosts: Collection[str]) -> bool:
    """Whether `Host` is a name of ours, or the very address that was called: else some page let its name lead here."""
    given = headers.getlist("host")
    if len(given) != 1 or (name := name_of(given[0])) is None:
        return False
    if name in LOOPBACK_NAMES or name in hosts:
        return True
    server = scope.get("server")
    return server is not None and is_address(name) and _same(name, str(server[0]))


def name_of(host: str) -> str | None:
    """The name in a `Host`, without its port, as names compare; `None` for what is none."""
    host = host.strip().lower()
    if host.startswith("["):
        name, closed, port = host[1:].partition("]")
        port = port.removeprefix(":") if port.startswith(":") or not port else "?"
        if not closed:
            return None
    else:
        name, _, port = host.partition(":")
    if not name or (port and not port.isascii()) or (port and not port.isdigit()):
        return None
    return name.removesuffix(".")


def is_address(name: str) -> bool:
    """Whether this is an IP address, which no name service can make another's."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_loopback(address: str) -> bool:
    """Whether this is an address of this machine to itself."""
    return is_address(address) and ipaddress.ip_address(address).is_loopback


def _same(one: str, other: str) -> bool:
    return is_address(other) and ipaddress.ip_address(one) == ipaddress.ip_address(other.partition("%")[0])
