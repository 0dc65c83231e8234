"""Files of a venue onto the disk: each is replaced whole, so that a power loss leaves the old or the new."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from fleet.errors import BadInput, Refused
from fleet.model.listing import listed
from fleet.model.names import shown

READABLE = 0o644
"""Permissions of a file that is new; what the process masks out is taken off."""


def refuse_changes_of_its_own(folder: Path, paths: Iterable[str], in_force: Mapping[str, str]) -> None:
    """Refuse to touch files of a folder that are not as the version in force has them: their changes would be lost.

    Raises `Refused` that names all of them, or `BadInput` where a file cannot be read.
    """
    refuse_other_texts(str(folder), {path: _text(folder / path) for path in paths}, in_force)


def refuse_other_texts(where: str, texts: Mapping[str, str | None], in_force: Mapping[str, str]) -> None:
    """The same for texts that were read already; `None` is a file that is not there."""
    own = [path for path, text in sorted(texts.items()) if text != in_force.get(path)]
    if own:
        names = listed([shown(path, 200) for path in own])
        verb = "have" if len(own) > 1 else "has"
        what = f"{names} {verb} changes of {'their' if len(own) > 1 else 'its'} own that are not in force"
        raise Refused(what, where=where, remedy="Load or undo them first.")


def refuse_other_files(folder: Path, there: Mapping[str, str], in_force: Mapping[str, str]) -> None:
    """Refuse to write all files in force into a folder that holds anything else under a venue file's name.

    Raises `Refused` that names all of it.
    """
    others = [shown(path, 200) for path, text in sorted(there.items()) if text != in_force.get(path)]
    if others:
        what = f"{listed(others)} {'are' if len(others) > 1 else 'is'} not as in the version in force"
        raise Refused(what, where=str(folder), remedy="Move it away, or name an empty folder.")


def write_files(folder: Path, texts: Mapping[str, str | None]) -> tuple[str, ...]:
    """Write texts by relative path, and take away those that are `None`; the paths that are not as they were.

    Permissions stay. All are written beside their places before the first one is put there. Raises `BadInput`.
    """
    fresh: dict[Path, Path] = {}
    written = []
    try:
        for path, text in sorted(texts.items()):
            if _text(folder / path) == text:
                continue
            written.append(path)
            place = (folder / path).resolve()  # a link stays a link
            if text is not None:
                fresh[place] = _beside(place, text)
        for place, new in fresh.items():
            new.replace(place)
        for path in written:
            if texts[path] is None:
                (folder / path).unlink(missing_ok=True)
        for parent in {(folder / path).resolve().parent for path in written}:
            _settle(parent)
    except OSError as error:
        raise BadInput(f"cannot write: {error.strerror}", where=str(error.filename or folder)) from None
    finally:
        for new in fresh.values():
            new.unlink(missing_ok=True)  # one that was put in its place is not there any more
    return tuple(written)


def _beside(place: Path, text: str) -> Path:
    """The text in a file of its own beside its place, on the disk, with the permissions of what it will replace."""
    place.parent.mkdir(parents=True, exist_ok=True)
    new = place.with_name(f".{place.name}.new")
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, READABLE)
    with os.fdopen(descriptor, "wb") as file:
        if place.exists():
            old = place.stat()
            os.fchmod(descriptor, stat.S_IMODE(old.st_mode))
            with suppress(PermissionError):  # only root may give files away
                os.fchown(descriptor, old.st_uid, old.st_gid)
        file.write(text.encode("utf-8", "surrogateescape"))
        file.flush()
        os.fsync(descriptor)
    return new


def _settle(folder: Path) -> None:
    """See a folder's own entries onto the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _text(path: Path) -> str | None:
    try:
        return path.read_bytes().decode("utf-8", "surrogateescape")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BadInput(f"cannot read: {error.strerror}", where=str(path)) from None
