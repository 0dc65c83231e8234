"""Whether those who are told of notices can be: what the configuration alone shows, and what a daemon found."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterable
from datetime import datetime, tzinfo
from pathlib import Path

from fleet.errors import NotDelivered
from fleet.faces.documents import Document
from fleet.faces.notices.config import ReceiverConfig
from fleet.model.venue_time import on_the_clock
from fleet.services.self_check.result import Result, ok, trouble, warning

TRY = "`fleet notices --test` tries all of them."


def check_receivers(receivers: Iterable[ReceiverConfig]) -> list[Result]:
    """Each receiver: its program is there and may be run, its secret can be read and is nobody else's."""
    return [_receiver(receiver) for receiver in receivers]


def check_delivery(document: Document, zone: tzinfo) -> list[Result]:
    """What a running daemon says of its receivers, on the venue's clock; nothing where it has none."""
    rows = document["receivers"]
    found = []
    for row in rows:
        if not row["failing_since"]:
            continue
        since = on_the_clock(datetime.fromisoformat(row["failing_since"]), zone)
        words = f"{row['name']} cannot be told since {since}: {row['why']}"
        if row["for_long"]:
            found.append(trouble("delivery of notices", words, f"{row['waiting']} wait. {TRY}"))
        else:
            found.append(warning("delivery of notices", words, f"It is tried again. {TRY}"))
    return found or ([ok("delivery of notices", f"{len(rows)} can be told")] if rows else [])


def _receiver(receiver: ReceiverConfig) -> Result:
    name = f"notices to {receiver.rules.name}"
    if receiver.command:
        program = receiver.command[0]
        if shutil.which(program) is None:
            there = Path(program).exists()
            remedy = f"chmod +x {program}" if there else "Put its path right in config.toml, or install it."
            return trouble(name, f"{program} {'may not be run' if there else 'is not there'}", remedy)
        return ok(name, f"{program} can be run")
    if receiver.secret_variable and receiver.secret_variable not in os.environ:
        return warning(name, f"{receiver.secret_variable} is not set here", "The daemon's environment needs it.")
    try:
        receiver.secret()
    except NotDelivered as error:
        return trouble(name, str(error), "Nothing is sent without it.")
    if receiver.secret_file is not None and receiver.secret_file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        return trouble(name, f"others may read {receiver.secret_file}", f"chmod 600 {receiver.secret_file}")
    return ok(name, f"{receiver.target} is a URL; whether anybody answers there was not tried")
