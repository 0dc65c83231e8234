"""The audit log: what was done, by whom, from where and how it ended, each entry chained to the one before it.

An entry's hash is SHA-256 over the canonical JSON (RFC 8785) of its members and the hash of the entry before. So what
is altered, missing or in another's place shows; what is missing at the end shows against a head that somebody kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Final

from pydantic import Field

from fleet.model.canonical import sha256_of
from fleet.model.names import shown

BEGINNING: Final = "0" * 64
"""What the first entry follows, and the hash of an empty log."""
LONGEST: Final = 500

Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Something that was done or tried, before it is written down.

    `what` is a route's operation or an act of the daemon, `about` the room, device or change, `source` where it came
    from; `result` is "done", "refused: …" or "failed: …".
    """

    who: str
    role: str
    what: str
    about: str = ""
    why: str = ""
    source: str
    result: str

    def bounded(self) -> Act:
        """The same with every text short, printable and on one line."""
        return Act(**{name: shown(getattr(self, name), LONGEST) for name in _ACT})


_ACT: Final = ("who", "role", "what", "about", "why", "source", "result")


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """An act as it is written down. Numbers count from 1 without a gap."""

    number: Annotated[int, Field(ge=1)]
    at: datetime
    who: str
    role: str
    what: str
    about: str
    why: str
    source: str
    result: str
    previous: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditHead:
    """How long the log is, and the hash of its last entry."""

    length: Annotated[int, Field(ge=0)] = 0
    sha256: Hash = BEGINNING


def entry_after(head: AuditHead, at: datetime, act: Act) -> AuditEntry:
    """An act as the entry that follows this head."""
    members = {name: getattr(act, name) for name in _ACT}
    entry = AuditEntry(number=head.length + 1, at=at, previous=head.sha256, sha256="", **members)
    return AuditEntry(number=entry.number, at=at, previous=entry.previous, sha256=entry_sha256(entry), **members)


def entry_sha256(entry: AuditEntry) -> str:
    """What an entry's hash has to be, by its other members."""
    members = {name: getattr(entry, name) for name in ("number", *_ACT, "previous")}
    return sha256_of({**members, "at": entry.at.astimezone(UTC).isoformat()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A head of the log that somebody outside of it has; `whose`, in words."""

    length: int
    sha256: str
    whose: str


@dataclass(slots=True)
class Chain:
    """Follows a log from its first entry, and stops at the first that is wrong, in words."""

    kept: Sequence[Kept] = ()
    length: int = 0
    sha256: str = BEGINNING
    fault: str = ""

    def take(self, entry: AuditEntry) -> bool:
        """The next entry as it was read; false where it is wrong, and nothing after it is looked at."""
        self.fault = self._fault_of(entry)
        if not self.fault:
            self.length, self.sha256 = entry.number, entry.sha256
        return not self.fault

    def end(self) -> None:
        """There are no further entries."""
        last = max(self.kept, key=lambda kept: kept.length, default=None)
        if not self.fault and last is not None and last.length > self.length:
            known = f"{last.whose} knew {last.length}"
            self.fault = f"the log ends after entry {self.length}, and {known}: it was cut short"

    def _fault_of(self, entry: AuditEntry) -> str:
        wanted = self.length + 1
        if entry.number < wanted:
            return f"entry {entry.number} stands after entry {self.length}: it is out of its place"
        if entry.number > wanted:
            last = entry.number - 1
            return f"entry {wanted} is missing" if last == wanted else f"entries {wanted} to {last} are missing"
        if entry_sha256(entry) != entry.sha256:
            return f"entry {entry.number} was altered"
        if entry.previous != self.sha256:
            return f"entry {entry.number} does not follow the one before it: one of the two is not what was written"
        for kept in self.kept:
            if kept.length == entry.number and kept.sha256 != entry.sha256:
                return f"entry {entry.number} is not the one that {kept.whose} knew: the log was written anew"
        return ""
