"""What is known of every device, for those who ask; so many devices, and no more."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fleet.errors import NotFound
from fleet.model.description import Description
from fleet.model.inventory import DeviceRecord, DeviceStatus
from fleet.model.names import shown
from fleet.model.state import Reported, Slots, State
from fleet.reconcile.identity import shared_serials
from fleet.services.answers import Answers

log = logging.getLogger(__name__)

MOST_DEVICES: Final = 20_000
"""Twice the largest venue. Beyond, only devices that a position names are taken: anybody on the network may make up
names, and neither the memory nor the database is theirs to fill."""


@dataclass(slots=True, kw_only=True)
class Known:
    """What is held of one device in memory."""

    record: DeviceRecord
    state: State | None = None
    slots: Slots | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """How many devices are known, how many there may be, and how often one was passed over since the start."""

    known: int
    most: int
    passed_over: int


class KnownDevices:
    """Devices by id, with their last reports. Whoever hears of devices puts them in; see `Inventory`."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self._known: dict[str, Known] = {}
        self.named: Callable[[], frozenset[str]] = frozenset
        """The devices that positions name: these are taken even where the inventory is full."""
        self.passed_over = 0
        """How often something was heard of a device for which there was no room, since the start."""

    @property
    def filling(self) -> Filling:
        """How full the inventory is."""
        return Filling(known=len(self._known), most=MOST_DEVICES, passed_over=self.passed_over)

    def known(self, device: str) -> Known:
        """What is held of a device. Raises `NotFound`."""
        if device not in self._known:
            raise NotFound(f"no device {shown(device)!r} was ever seen", remedy="`fleet devices` lists them.")
        return self._known[device]

    def has_told(self, device: str) -> bool:
        """True where a device was ever there and told what it is."""
        return device in self._known and self._known[device].record.description is not None

    def records(self) -> tuple[DeviceRecord, ...]:
        """All records, by id."""
        return tuple(self._known[device].record for device in sorted(self._known))

    def descriptions(self) -> Mapping[str, Description]:
        """Descriptions of all devices that told one."""
        return {d: k.record.description for d, k in self._known.items() if k.record.description is not None}

    def conflicts(self) -> Mapping[str, str]:
        """Devices that must not be written to, with the reason in words."""
        told = {d: "; ".join(k.record.conflicts) for d, k in self._known.items() if k.record.conflicts}
        return {**told, **shared_serials(self.descriptions().values())}

    def online(self, device: str) -> bool:
        """True where the device is there by its presence; whether it answers is `silent_since`."""
        return device in self._known and self._known[device].record.online

    def silent_since(self, device: str) -> datetime | None:
        """Since when a device that is there does not answer; `None` where it does, or is not there."""
        return self.answers.silent_since(device) if self.online(device) else None

    def reported(self, device: str) -> Reported | None:
        """What a device last told, or `None` where that is not everything yet."""
        known = self._known.get(device)
        if known is None or known.record.description is None or known.state is None or known.slots is None:
            return None
        return Reported(description=known.record.description, state=known.state, slots=known.slots)

    def statuses(self, bound: Iterable[str]) -> Mapping[str, DeviceStatus]:
        """The status of every device seen or named by a position."""
        named, conflicts = frozenset(bound), self.conflicts()
        return {d: self._status(d, named, conflicts) for d in sorted(named | set(self._known))}

    def _status(self, device: str, named: frozenset[str], conflicts: Mapping[str, str]) -> DeviceStatus:
        if device in conflicts:
            return DeviceStatus.CONFLICTING
        reachable = self.online(device) and self.silent_since(device) is None
        if device in named:
            return DeviceStatus.BOUND if reachable else DeviceStatus.MISSING
        if self._known[device].record.retired is not None:
            return DeviceStatus.RETIRED
        return DeviceStatus.REACHABLE if reachable else DeviceStatus.SEEN

    def _no_room(self, device: str) -> bool:
        """Whether a device that was not seen before cannot be taken."""
        if device in self._known or len(self._known) < MOST_DEVICES or device in self.named():
            return False
        self.passed_over += 1
        log.warning(
            "the inventory is full with %d devices: %s is passed over, as no position names it", MOST_DEVICES, device
        )
        return True

    def _strangers_gone(self, before: datetime) -> list[str]:
        """Where the inventory is full: devices that nothing here is about, and that are gone since before a moment."""
        if len(self._known) < MOST_DEVICES:
            return []
        named = self.named()
        return [
            device
            for device, known in self._known.items()
            if not known.record.online
            and known.record.last_seen < before
            and known.record.retired is None
            and device not in named
        ]
