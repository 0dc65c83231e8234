"""How a daemon is to run: what options, environment and file settle (see `configuration`) and the wiring takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

LogFormat = Literal["text", "json"]
LogLevel = Literal["debug", "info", "warning", "error"]
Port = Annotated[int, Field(ge=0, le=65535)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonConfig:
    """Where a daemon keeps things and whom it talks to. Every member but `home` and `sources` is a setting.

    `broker` is a URL, or `embedded` for one of its own, or `find` for one that mDNS announces. No `interfaces` means
    all of them; no `database` means SQLite in `home`. `open_metrics` serves the metrics without the token.
    `least_free_mb` is the free space in megabytes below which `fleet self-check` finds trouble. `sources` tells in
    words where each setting came from.
    """

    home: Path
    venue: Path | None = None
    broker: str = "embedded"
    root: str = "loudspeakers/v1"
    database: str = ""
    interfaces: tuple[str, ...] = ()
    addresses: Path | None = None
    port: Port = 0
    log_format: LogFormat = "text"
    log_level: LogLevel = "info"
    open_metrics: bool = False
    least_free_mb: Annotated[int, Field(ge=0)] = 200
    sources: Mapping[str, str] = field(default_factory=dict)


RunDaemon = Callable[[DaemonConfig], None]
