"""How a daemon is to run: what options, environment and file settle (see `configuration`) and the wiring takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from fleet.faces.notices.config import ReceiverConfig

LogFormat = Literal["text", "json"]
LogLevel = Literal["debug", "info", "warning", "error"]
Port = Annotated[int, Field(ge=0, le=65535)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonConfig:
    """Where a daemon keeps things and whom it talks to. Every member but `home` and `sources` is a setting.

    `broker` is a URL, or `embedded` for one of its own, or `find` for one that mDNS announces; one at `mqtts://` has
    to prove who it is, and `broker_ca` is a file of those whose word is taken for it instead of those whom the system
    trusts. No `interfaces` means all of them; no `database` means SQLite in `home`. `bind` is the address of the API,
    `hosts` the names that it goes by; `tls_certificate` and `tls_key` are what an address that other machines reach
    demands. `open_metrics` serves the metrics without the token. `least_free_mb` is the free space in megabytes below
    which `fleet self-check` finds trouble. `snapshot_at` is when a snapshot is taken each day on the venue's clock
    (03:00), `snapshots_kept_days` how long those are kept that nobody asked for, `timestamp_url` a time stamp service
    (RFC 3161). `notices` are those who are told of notices, and stand in the file only. `sources` tells in words where
    each setting came from.
    """

    home: Path
    venue: Path | None = None
    broker: str = "embedded"
    broker_ca: Path | None = None
    root: str = "loudspeakers/v1"
    database: str = ""
    interfaces: tuple[str, ...] = ()
    addresses: Path | None = None
    port: Port = 0
    bind: str = "127.0.0.1"
    hosts: tuple[str, ...] = ()
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    log_format: LogFormat = "text"
    log_level: LogLevel = "info"
    open_metrics: bool = False
    least_free_mb: Annotated[int, Field(ge=0)] = 200
    snapshot_at: str = ""
    snapshots_kept_days: Annotated[int, Field(ge=1, le=36_500)] = 400
    timestamp_url: str = ""
    notices: tuple[ReceiverConfig, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)


RunDaemon = Callable[[DaemonConfig], None]
