"""Where the daemon's log goes: to stderr from the start, and to the file of its home once that is its own."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

from fleet.errors import BadInput
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.faces.logs.file import LogFile
from fleet.faces.logs.lines import JsonLines, TextLines
from fleet.faces.logs.sparing import Sparing

TALKATIVE = ("httpx", "httpcore", "mqtt", "alembic", "asyncio", "aiosqlite", "uvicorn")
"""Libraries whose chatter says nothing to whoever runs a venue."""
_sparing = Sparing()


class Devices:
    """Who is known to be a device, for the log; nobody until the inventory is there."""

    def __init__(self) -> None:
        self.known: Callable[[str], bool] = lambda _: False

    def __call__(self, name: str) -> bool:
        """Whether this is the id of a device."""
        return self.known(name)


class Zone:
    """The venue's time zone, for the log; UTC until a venue is there."""

    def __init__(self) -> None:
        self.known: Callable[[], ZoneInfo] = lambda: ZoneInfo("UTC")

    def __call__(self) -> ZoneInfo:
        """The zone as it is now."""
        return self.known()


def log_to_stderr(config: DaemonConfig, devices: Devices, zone: Zone) -> None:
    """Log in the wanted format."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines(devices) if config.log_format == "json" else TextLines(zone))
    handler.addFilter(_sparing)
    logging.basicConfig(level=config.log_level.upper(), handlers=[handler])
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)


@contextmanager
def logging_to(home: Path, devices: Devices) -> Iterator[None]:
    """Log to the file of this home, too, for the length of the block. Raises `BadInput` where that is impossible."""
    try:
        handler = LogFile(home, devices)
    except OSError as error:
        raise BadInput(f"the log cannot be written: {error.strerror}", where=str(home)) from None
    handler.addFilter(_sparing)
    logging.getLogger().addHandler(handler)
    try:
        yield
    finally:
        logging.getLogger().removeHandler(handler)
        handler.close()
