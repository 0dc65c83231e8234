"""Waiting until the devices of a room are up: after a power cut a recall of all of them is better than one of half."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Final

from fleet.errors import BadInput
from fleet.faces.cli import options, show
from fleet.faces.cli.client import path
from fleet.model.durations import seconds_of, words_of
from fleet.model.listing import counted

OPTION: Final = "--when-up"
LONGEST_S: Final = 3600.0
LOOK_EVERY_S: Final = 1.0


def until_up(room: str, within: str, home: Path | None) -> None:
    """Wait until every device of a room is up, at most for so long (`2m`); who is still missing is named on stderr.

    Raises `BadInput` for a time that is none or longer than an hour.
    """
    within_s = seconds_of(within, OPTION)
    if within_s > LONGEST_S:
        raise BadInput(f"{within} is too long to wait for devices", where=OPTION, remedy="Give at most 1h")
    daemon = options.daemon(home)
    deadline = time.monotonic() + within_s
    told = ""
    while away := daemon.get(path("rooms", room, "missing"))["missing"]:
        if time.monotonic() >= deadline:
            show.tell(f"after {words_of(within_s)} {counted(len(away), 'position')} still without a device: {told}")
            return
        names = ", ".join(one["position"] for one in away)
        if names != told:
            show.tell(f"waiting for {names}")
        told = names
        time.sleep(LOOK_EVERY_S)
