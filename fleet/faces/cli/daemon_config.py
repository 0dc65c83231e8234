"""How a daemon is to run: what the command line gathers and the wiring takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonConfig:
    """Where a daemon keeps things and whom it talks to.

    `broker` is a URL, or `embedded` for one of its own, or `find` for one that mDNS announces. No `interfaces` means
    all of them; no `database` means SQLite in `home`.
    """

    home: Path
    venue: Path | None = None
    broker: str = "embedded"
    root: str = "loudspeakers/v1"
    database: str = ""
    interfaces: tuple[str, ...] = ()
    addresses: Path | None = None
    port: int = 0


RunDaemon = Callable[[DaemonConfig], None]
