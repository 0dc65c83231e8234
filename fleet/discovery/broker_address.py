"""Where a broker is, and how a person writes that."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlsplit

from fleet.errors import BadInput
from fleet.model.names import shown

DEFAULT_PORT: Final = 1883
TLS_PORT: Final = 8883
"""Registered with IANA as `mqtt` and `secure-mqtt`."""
_REMEDY = "Write it as mqtt://host:port, or with TLS as mqtts://host:port; user:password@ may stand before the host"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAddress:
    """Host and port of an MQTT broker, and who to be there. The password is never shown.

    With `tls` it proves who it is, by a certificate that those in the file `ca` vouch for; without `ca`, those whom
    the system trusts.
    """

    host: str
    port: int = DEFAULT_PORT
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca: Path | None = None

    @classmethod
    def parse(cls, url: str, ca: Path | None = None) -> BrokerAddress:
        """The address in a `mqtt://` or `mqtts://` URL. Raises `BadInput`, without the password in its words."""
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError:
            raise BadInput("the broker's URL has a port or host that cannot be", remedy=_REMEDY) from None
        if parts.scheme not in ("mqtt", "mqtts"):
            words = f"a broker's URL begins with mqtt:// or mqtts://, not {shown(parts.scheme or 'that')}"
            raise BadInput(words, remedy=_REMEDY)
        if not parts.hostname or shown(parts.hostname, 255) != parts.hostname or " " in parts.hostname:
            raise BadInput("the broker's URL names no host", remedy=_REMEDY)
        if parts.path not in ("", "/") or parts.query or parts.fragment:
            raise BadInput("the broker's URL has something after the port", remedy=_REMEDY)
        if port == 0:
            raise BadInput("the broker's port is 0", remedy=_REMEDY)
        tls = parts.scheme == "mqtts"
        return cls(
            host=parts.hostname,
            port=port or (TLS_PORT if tls else DEFAULT_PORT),
            user=None if parts.username is None else unquote(parts.username),
            password=None if parts.password is None else unquote(parts.password),
            tls=tls,
            ca=ca if tls else None,
        )

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"
