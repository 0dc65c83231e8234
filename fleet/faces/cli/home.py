"""The daemon's folder: a lock so that one daemon owns it, the token, and the address for the commands."""

from __future__ import annotations

import fcntl
import json
import os
import secrets
import stat
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
    open_folder(path)
    try:
        lock = os.open(path / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, OWNER_ONLY)
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


def open_folder(path: Path) -> None:
    """Make a daemon's folder where it is not there yet, for its owner alone. Raises `BadInput`."""
    try:
        _make(path)
        _refuse_shared(path)
    except OSError as error:
        raise BadInput(f"the daemon's folder cannot be used: {error.strerror}", where=str(path)) from None


def _make(path: Path) -> None:
    """Make the folder for its owner alone, and those above it that are missing for nobody else to write to."""
    for folder in reversed(path.parents):
        if not folder.exists():
            folder.mkdir(mode=0o755, exist_ok=True)
    path.mkdir(mode=0o700, exist_ok=True)


def _refuse_shared(path: Path) -> None:
    """Raise `BadInput` for a folder that others can write to: who can put files there can be the daemon."""
    about, above = path.stat(), path.resolve().parent
    if above.stat().st_mode & stat.S_IWOTH and not above.stat().st_mode & stat.S_ISVTX:
        words = "everybody can write to the folder that the daemon's folder is in, and put another in its place"
        raise BadInput(words, where=str(path), remedy=f"chmod o-w {above}")
    if about.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        words = f"others can write to the daemon's folder (mode {stat.S_IMODE(about.st_mode):o})"
        remedy = f"Look at what is in it; then: chmod 700 {path}"
        raise BadInput(words, where=str(path), remedy=remedy)
    if os.getuid() not in (0, about.st_uid):
        words = f"the daemon's folder belongs to user {about.st_uid}, and user {os.getuid()} starts the daemon"
        raise BadInput(words, where=str(path), remedy="Start it as that user, or name another folder with --home.")


def _write_private(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "w", encoding="utf-8") as file:
        file.write(text)
