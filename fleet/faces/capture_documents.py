"""The JSON documents of captures and of the files in force."""

from __future__ import annotations

from fleet.faces.diff_documents import difference
from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.services.capturing import Captured
from fleet.store.records import StoredVersion


def captured(one: Captured) -> Document:
    """A capture, planned or done: the room's file, what is to be told of it, and what would still differ.

    `files` are the texts that changed (`null`: gone). `version` is `null` for a plan. `folder` is where the daemon
    wrote the files, `null` where they are in the database alone.
    """
    edited = one.edited
    return {
        "format": "fleet-capture/1",
        "room": one.room,
        "file": one.file,
        "text": one.text,
        "positions": [{"position": name, "device": device, "output": output} for name, device, output in one.positions],
        "notes": [{"position": position, "words": words} for position, words in one.notes],
        "skipped": [{"device": device, "words": words} for device, words in one.skipped],
        "against": [str(complaint) for complaint in one.against],
        "differences": [difference(d) for d in one.differences],
        "files": dict(edited.files if edited else one.files),
        "version": edited.number if edited else None,
        "sha256": edited.version.sha256 if edited else None,
        "folder": str(edited.folder) if edited and edited.folder else None,
    }


def files(version: StoredVersion) -> Document:
    """The files of the version in force."""
    return {
        "format": "fleet-files/1",
        "version": version.number,
        "sha256": version.sha256,
        "who": version.who,
        "at": plain(version.at),
        "note": version.note,
        "files": dict(version.files),
    }
