"""A venue folder on disk: which files it has, and their texts. Imports nothing slow."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from fleet.desired.nodes import MAX_CHARACTERS
from fleet.errors import BadInput

VENUE_FILE: Final = "venue.yaml"
_MOST_BYTES: Final = 4 * MAX_CHARACTERS


def read_folder(folder: Path) -> dict[str, str]:
    """The texts of a venue folder by relative path. Raises `BadInput` where there is none or it cannot be read."""
    if not (folder / VENUE_FILE).is_file():
        remedy = f"A venue folder holds {VENUE_FILE} and rooms/NAME.yaml"
        raise BadInput(f"no {VENUE_FILE} here", where=str(folder), remedy=remedy)
    rooms = folder / "rooms"
    try:
        found = sorted(rooms.iterdir()) if rooms.is_dir() else []
        paths = [path for path in found if path.suffix in (".yaml", ".yml") and not path.name.startswith(".")]
        return {path.relative_to(folder).as_posix(): _text(path) for path in [folder / VENUE_FILE, *paths]}
    except OSError as error:
        raise BadInput(f"cannot read the folder: {error.strerror}", where=str(error.filename or folder)) from None


def _text(path: Path) -> str:
    """A file's text; bytes that are not UTF-8 stay recognisable, so that `load` can say where they are."""
    if not path.is_file():
        raise BadInput("is not a file", where=str(path), remedy="Move it out of the venue folder")
    with path.open("rb") as file:
        return file.read(_MOST_BYTES + 1).decode("utf-8", "surrogateescape")
