"""One root for everything that can go wrong, so that every face can tell it to a person.

Two questions decide what a caller does with an error: whose it is (`side`) and whether trying again
later can help (`retry_later`). The text says what happened; `where` and `remedy` say where and what to do.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar, Literal

Side = Literal["ours", "user", "device"]

REMEDIES = {"stale_epoch": "Another database has commanded it; if this one is to from now on: `fleet take-over`"}
"""What to do about a refusal, by its code, where a person can do something."""


class FleetError(Exception):
    """What is wrong, where, and what to do about it, in a person's words."""

    side: ClassVar[Side] = "ours"
    retry_later: ClassVar[bool] = False

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}. {self.remedy}" if self.remedy else head


@dataclass(frozen=True, slots=True, order=True)
class Complaint:
    """One thing wrong at one place of a file. Lines and columns count from 1."""

    file: str
    line: int
    column: int
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.text}"


class BadInput(FleetError):
    """Something a person gave cannot be used: an option, a name, a number."""

    side = "user"


class Mistakes(BadInput):
    """Files have mistakes; all of them are in `complaints`, sorted by place, and told before how many there are."""

    def __init__(self, complaints: Collection[Complaint], of: str) -> None:
        count = len(complaints)
        super().__init__(f"{count} mistake{'s' if count != 1 else ''} in {of}")
        self.complaints = tuple(sorted(complaints))

    def __str__(self) -> str:
        return "\n".join([*map(str, self.complaints), self.what])


class BadFiles(Mistakes):
    """The venue's files have mistakes."""

    def __init__(self, complaints: Collection[Complaint]) -> None:
        super().__init__(complaints, "the venue's files")


class NotFound(BadInput):
    """A name that nothing here goes by."""


class Refused(FleetError):
    """A guard rail, a lock or a rule says no; `guards` names them.

    `unable` maps devices that cannot take part to the reason, where that is why.
    """

    side = "user"

    def __init__(
        self,
        what: str,
        *,
        guards: tuple[str, ...] = (),
        unable: Mapping[str, str] = MappingProxyType({}),
        where: str = "",
        remedy: str = "",
    ) -> None:
        super().__init__(what, where=where, remedy=remedy)
        self.guards = guards
        self.unable = unable


class Moved(Refused):
    """What was shown is no longer what would be done: desired or reported state moved since."""


class NoEntry(Refused):
    """The token opens nothing: trying again with it is of no use."""


class DeviceRefused(FleetError):
    """A device answered no, with a refusal code of the wire contract."""

    side = "device"

    def __init__(self, device: str, code: str, text: str = "") -> None:
        super().__init__(f"{device} refused ({code}){': ' + text if text else ''}", remedy=REMEDIES.get(code, ""))
        self.device = device
        self.code = code


class DeviceSilent(FleetError):
    """A device did not answer in time."""

    side = "device"
    retry_later = True

    def __init__(self, device: str, what: str = "did not answer in time") -> None:
        super().__init__(f"{device} {what}")
        self.device = device


class DeviceNonsense(FleetError):
    """A device sent something that is not a message of the wire contract, or claims to be another."""

    side = "device"

    def __init__(self, device: str, what: str) -> None:
        super().__init__(f"{device}: {what}")
        self.device = device


class BrokerDown(FleetError):
    """The MQTT broker cannot be reached."""

    retry_later = True


class NotDelivered(FleetError):
    """Somebody could not be told of a notice; the words have no secrets."""

    retry_later = True


class StoreTrouble(FleetError):
    """The database cannot be opened, read or written."""


class NoDaemon(FleetError):
    """No daemon answers where one is expected."""

    retry_later = True


class Unproven(FleetError):
    """What answers does not prove that it is the daemon that was meant: its certificate is another's, or over."""
