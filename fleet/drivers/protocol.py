"""What a driver is: the one way services talk to devices.

A driver keeps its link by itself (reconnecting with back-off), tells what it hears as events, and answers
requests for one device at a time: one queue per device, devices in parallel. Everything it hands out is validated.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings
from fleet.model.state import Moment, Reported, Slots, State


@dataclass(frozen=True, slots=True, kw_only=True)
class Abilities:
    """What a device can do for a change, by its driver's word. Guarantees follow from these."""

    stages: bool
    """Holds work until commit and the old state until keep: reboot is revert."""
    revert_timer: bool
    readable_slots: bool
    """Contents of inactive slots can be read back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkUp:
    """The driver's own link (to the broker) works."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDown:
    """The driver's own link is down; it will try again by itself. `why` is for people."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CameOnline:
    """A device is alive."""

    device: str
    boot_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WentOffline:
    """A device is gone: it said so, or its will did."""

    device: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """A device told its description."""

    device: str
    description: Description


@dataclass(frozen=True, slots=True, kw_only=True)
class StateHeard:
    """A device told its state."""

    device: str
    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotsHeard:
    """A device told the contents of its slots."""

    device: str
    slots: Slots


@dataclass(frozen=True, slots=True, kw_only=True)
class Nonsense:
    """A device sent something unusable; `what` is safe to show."""

    device: str
    what: str


Event: TypeAlias = LinkUp | LinkDown | CameOnline | WentOffline | Described | StateHeard | SlotsHeard | Nonsense


class Driver(Protocol):
    """Talk to devices. Calls raise `DeviceSilent`, `DeviceRefused`, `DeviceNonsense` or `BrokerDown`, nothing else."""

    name: str

    def events(self) -> AsyncIterator[Event]:
        """What the driver hears, in order, for as long as it is open. One reader."""
        ...

    def wake(self) -> None:
        """A device or a broker was just announced: a link that is down and waits for its next attempt tries at once.

        May be called at any time and as often as announcements come; nothing happens while the link is up.
        """
        ...

    async def census(self) -> frozenset[str]:
        """Ids of all devices that the link can tell of now, read slice by slice; their events have been handed out."""
        ...

    def abilities(self, description: Description) -> Abilities:
        """What a device can do for a change."""
        ...

    def representable(self, description: Description, settings: DeviceSettings) -> DeviceSettings:
        """The nearest settings that the device can hold. Pure, and the same when done twice.

        Raises `BadInput` that lists what the device cannot do (shape, family, slope, range, count of bands, input).
        """
        ...

    async def read(self, description: Description) -> Reported:
        """The device's full state and slots, asked of the device itself: proof, not a hint."""
        ...

    async def prepare(
        self, description: Description, change: str, work: dict[Phase, Work], expect: Moment, epoch: int
    ) -> None:
        """Stage the work of all phases where the device stages; otherwise check and hold it in the driver."""
        ...

    async def commit(
        self,
        description: Description,
        change: str,
        phase: Phase,
        expect: Moment,
        epoch: int,
        *,
        revert_after_ms: float | None = None,
    ) -> Moment:
        """Do one prepared phase; the moment after it.

        `revert_after_ms` (re)starts the device's own revert timer; only for devices that have one.
        """
        ...

    async def keep(self, description: Description, change: str, epoch: int) -> Moment:
        """End a change for good: live settings become non-volatile, staged slot contents are written."""
        ...

    async def revert(self, description: Description, change: str, epoch: int) -> Moment:
        """Return to the state before the first commit. Raises `DeviceRefused` where the device cannot."""
        ...

    async def abort(self, description: Description, change: str, epoch: int) -> None:
        """Forget prepared work that was not committed."""
        ...

    async def identify(self, description: Description, seconds: int) -> None:
        """Let the device blink."""
        ...

    async def restart(self, description: Description, expect: Moment, epoch: int) -> None:
        """Let the device restart: it falls silent, and comes back as it does after a power cut."""
        ...
