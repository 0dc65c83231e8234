"""Files that a command writes: new ones, for their owner, never over another."""

from __future__ import annotations

import os
from pathlib import Path

from fleet.errors import BadInput

OWNER_ONLY = 0o600


def write_new(out: Path, data: bytes) -> None:
    """Write a file that is not there yet. Raises `BadInput`."""
    try:
        with os.fdopen(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "wb") as file:
            file.write(data)
    except OSError as error:
        remedy = "Name a new file." if isinstance(error, FileExistsError) else ""
        raise BadInput(f"cannot write: {error.strerror}", where=str(out), remedy=remedy) from None


def read_whole(file: Path, largest: int = 500_000_000) -> bytes:
    """A file that somebody gave. Raises `BadInput`."""
    try:
        with file.open("rb") as opened:
            data = opened.read(largest + 1)
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=str(file)) from None
    if len(data) > largest:
        raise BadInput("is larger than a snapshot can be", where=str(file))
    return data
