"""Edits of the desired state: worked out from the version in force, checked, written to the folder, put in force."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.desired.writing import refuse_changes_of_its_own, refuse_other_texts, write_files
from fleet.errors import BadFiles, Complaint
from fleet.services.checking import Checking
from fleet.services.desired import DOUBTS, Desired

Files: TypeAlias = Mapping[str, str]
"""Texts of a venue folder by relative path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edited:
    """What an edit did: the version now in force, and what its files say where they changed.

    `folder` is the daemon's own, where it has one: the files are written there. Otherwise they are in the database
    alone. A file that is gone is `None`.
    """

    version: Version
    number: int
    files: Mapping[str, str | None]
    folder: Path | None


class Editing:
    """Takes edits, one at a time. `folder` is the venue folder that this daemon loads, if any."""

    def __init__(self, desired: Desired, checking: Checking, folder: Path | None) -> None:
        self._desired = desired
        self._checking = checking
        self._folder = folder

    async def put(
        self,
        edit: Callable[[Files], Files],
        *,
        who: str,
        note: str = "",
        beside: Mapping[str, str | None] | None = None,
    ) -> Edited:
        """Put in force what `edit` makes of the files in force. Nothing is written where anything speaks against it.

        `beside` are texts of a folder of the caller's, who will write the files there himself. Raises `BadFiles` with
        mistakes and with errors of the design check that the edit brings in, and `Refused` where a folder has changes
        of its own that are not in force.
        """
        async with self._desired.taking:
            before = self._desired.in_force()
            files = edit(before.files)
            new = changes_between(before.files, files)
            if beside is not None:
                refuse_other_texts("", {path: beside.get(path) for path in new}, before.files)
            if self._folder is not None:
                refuse_changes_of_its_own(self._folder, new, before.files)
            load(files)
            if errors := self.new_errors(files):
                raise BadFiles(errors)
            if self._folder is not None:
                write_files(self._folder, new)
            loaded = await self._desired.put_in_force(files, who, allow=DOUBTS, note=note)
        return Edited(version=loaded.version, number=loaded.number, files=new, folder=self._folder)

    def new_errors(self, files: Files) -> tuple[Complaint, ...]:
        """Errors that the design check finds in these files and not in those in force. Raises `BadFiles`."""
        known = {(name, complaint.file, complaint.text) for name, complaint in self._errors(None)}
        return tuple(c for name, c in self._errors(files) if (name, c.file, c.text) not in known)

    def _errors(self, files: Files | None) -> list[tuple[str, Complaint]]:
        findings = self._checking.check(files).findings
        return [(finding.name, finding.complaint) for finding in findings if finding.severity == "error"]


def changes_between(before: Files, after: Files) -> dict[str, str | None]:
    """Texts that are not as they were, by path; `None` for a file that is gone."""
    return {
        path: after.get(path) for path in sorted(before.keys() | after.keys()) if before.get(path) != after.get(path)
    }
