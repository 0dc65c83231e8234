"""The folder of a hand-over: what is written there is listed in it, and only what is listed is ever written over."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Final

from fleet.errors import BadInput
from fleet.model.names import shown

LISTING: Final = "files.json"
FORMAT: Final = "fleet-handover-files/1"
OWNER_ONLY: Final = 0o600


def write(folder: Path, files: Mapping[str, str], *, replace: bool) -> None:
    """Write the files and their listing into a folder that is empty or not there.

    With `replace` also over an earlier hand-over, where nothing else is in the folder and nobody changed a file.
    Raises `BadInput` where it may not or cannot be written; then nothing was changed.
    """
    data = {name: text.encode() for name, text in files.items()}
    listing = {"format": FORMAT, "files": {name: sha256(content).hexdigest() for name, content in data.items()}}
    try:
        earlier = may_write(folder, replace=replace)
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for name, content in data.items():
            _write(folder / name, content)
        _write(folder / LISTING, (json.dumps(listing, indent=2) + "\n").encode())
        for name in earlier - data.keys() - {LISTING}:
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise BadInput(f"cannot be written: {error.strerror}", where=str(folder)) from None


def _write(file: Path, content: bytes) -> None:
    """Write a file anew, for its owner alone: it tells everything of a venue, and is handed over by who decides so."""
    file.unlink(missing_ok=True)
    opened = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW, OWNER_ONLY)
    with os.fdopen(opened, "wb") as out:
        out.write(content)


def may_write(folder: Path, *, replace: bool) -> set[str]:
    """The files of an earlier hand-over in a folder. Raises `BadInput` where it may not be written to."""
    if not folder.exists():
        return set()
    if not folder.is_dir():
        raise BadInput("is no folder", where=str(folder), remedy="Give one that is empty or not there yet.")
    found = {path.name for path in folder.iterdir()}
    if not found:
        return set()
    if not replace:
        raise BadInput(
            "the folder is not empty",
            where=str(folder),
            remedy="Give another, or replace an earlier hand-over with --replace.",
        )
    sums = _listed(folder)
    strange = sorted(found - sums.keys() - {LISTING})
    if strange:
        raise BadInput(f"holds {_some(strange)}, which no hand-over wrote", where=str(folder), remedy="Move it away.")
    changed = sorted(
        name for name in found - {LISTING} if sha256((folder / name).read_bytes()).hexdigest() != sums[name]
    )
    if changed:
        raise BadInput(f"{_some(changed)} was changed since it was written", where=str(folder), remedy="Keep a copy.")
    return found


def _listed(folder: Path) -> dict[str, str]:
    """SHA-256 of each file by name, as the listing has it; nothing where there is none."""
    try:
        listing = json.loads((folder / LISTING).read_text(encoding="utf-8"))
        sums = listing["files"] if listing["format"] == FORMAT else {}
        return {str(name): str(total) for name, total in sums.items()}
    except (FileNotFoundError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _some(names: list[str]) -> str:
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"{', '.join(shown(name) for name in names[:3])}{more}"
