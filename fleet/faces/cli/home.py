"""The daemon's folder: a lock so that one daemon owns it, the token, and the address for the commands."""

from __future__ import annotations

import fcntl
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import BadInput, Refused

OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True)
class HomeFolder:
    """An owned folder. `token` opens the API to whoever can read it: its owner alone."""

    path: Path
    token: str

    def publish(self, url: str) -> None:
        """Leave the address where commands look for it, whole or not at all."""
        draft = self.path / "daemon.json.new"
        _write_private(draft, json.dumps({"url": url, "pid": os.getpid()}))
        draft.replace(self.path / "daemon.json")


@contextmanager
def open_home(path: Path) -> Iterator[HomeFolder]:
    """Own a daemon's folder. Raises `Refused` where another daemon has it, `BadInput` where it cannot be used."""
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = os.open(path / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, OWNER_ONLY)
    except OSError as error:
        raise BadInput(f"the daemon's folder cannot be used: {error.strerror}", where=str(path)) from None
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Refused(f"another daemon is running for {path}", remedy="Stop it, or give --home.") from None
        (path / "daemon.json").unlink(missing_ok=True)  # of a daemon that was killed
        token = secrets.token_urlsafe(32)
        _write_private(path / "token", token)
        try:
            yield HomeFolder(path, token)
        finally:
            (path / "daemon.json").unlink(missing_ok=True)
    finally:
        os.close(lock)


def _write_private(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "w", encoding="utf-8") as file:
        file.write(text)
