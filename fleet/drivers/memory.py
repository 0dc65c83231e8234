"""A driver of devices in memory, without staging, timers or readable slots: for tests, and to keep services honest."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable

from fleet.drivers.held import HeldWork
from fleet.drivers.memory_device import MemoryDevice
from fleet.drivers.protocol import (
    Abilities,
    CameOnline,
    Described,
    Event,
    SlotsHeard,
    StateHeard,
    WentOffline,
)
from fleet.errors import DeviceRefused, DeviceSilent
from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings
from fleet.model.state import Moment, Reported, State
from fleet.reconcile.representable import representable

__all__ = ["MemoryDevice", "MemoryDriver"]


class MemoryDriver:
    """Devices of this process by their ids. What a person does at a device is told by `touched`."""

    name = "memory"

    def __init__(self, devices: Iterable[MemoryDevice]) -> None:
        self.devices = {d.description.id: d for d in devices}
        self._held = HeldWork()
        self._queue: asyncio.Queue[Event] = asyncio.Queue()
        self._retained: dict[str, tuple[Event, ...]] = {}
        """What each device told last."""
        for device in self.devices.values():
            self._tell_all(device)

    def touched(self, device: str) -> None:
        """Tell that a device's live settings or presence were changed from outside; raises its revision."""
        one = self.devices[device]
        one.revision += 1
        self._tell_all(one)

    async def events(self) -> AsyncIterator[Event]:
        """What the devices tell. One reader."""
        while True:
            yield await self._queue.get()

    def wake(self) -> None:
        """Nothing to do: there is no link that could be down."""

    async def census(self) -> frozenset[str]:
        """All devices, told again; of one that hangs what it told last."""
        for name, device in self.devices.items():
            if device.hangs:
                self._tell(*self._retained[name])
            else:
                self._tell_all(device)
        return frozenset(self.devices)

    def abilities(self, description: Description) -> Abilities:  # noqa: ARG002 - the same for all of them
        """None of them."""
        return Abilities(stages=False, revert_timer=False, readable_slots=False)

    def representable(self, description: Description, settings: DeviceSettings) -> DeviceSettings:
        """The nearest settings that the device can hold. Raises `BadInput`."""
        return representable(description, settings)

    async def read(self, description: Description) -> Reported:
        """The device's state and slots."""
        device = self._reach(description)
        return Reported(description=device.description, state=self._state(device), slots=device.readable())

    async def prepare(
        self, description: Description, change: str, work: dict[Phase, Work], expect: Moment, epoch: int
    ) -> None:
        """Check and hold the work."""
        self._reach(description, epoch, expect)
        self._held.hold(description, change, work)

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
        """Do one phase, for good."""
        if revert_after_ms is not None:
            raise DeviceRefused(description.id, "unsupported", "it has no revert timer")
        device = self._reach(description, epoch, expect)
        device.do(self._held.phase(description.id, change, phase))
        self._held.committed(description.id, change, device.moment())
        self._tell_all(device)
        return device.moment()

    async def keep(self, description: Description, change: str, epoch: int) -> Moment:
        """Nothing is left to do: the moment after the last phase."""
        device = self._reach(description, epoch)
        return self._held.keep(description.id, change) or device.moment()

    async def revert(self, description: Description, change: str, epoch: int) -> Moment:  # noqa: ARG002 - never done
        """Refused: these devices cannot."""
        raise DeviceRefused(description.id, "unsupported", "it cannot return to an earlier state by itself")

    async def abort(self, description: Description, change: str, epoch: int) -> None:
        """Forget held work."""
        self._reach(description, epoch)
        self._held.abort(description.id, change)

    async def identify(self, description: Description, seconds: int) -> None:
        """Remember that it was asked to blink."""
        if not 1 <= seconds <= 60:
            raise DeviceRefused(description.id, "out_of_range", "it blinks for 1 to 60 seconds")
        self._reach(description).identified_s = seconds

    async def restart(self, description: Description, expect: Moment, epoch: int) -> None:
        """It is back at once."""
        device = self._reach(description, epoch, expect)
        device.restart()
        self._tell_all(device)

    def _reach(self, description: Description, epoch: int | None = None, expect: Moment | None = None) -> MemoryDevice:
        device = self.devices.get(description.id)
        if device is None or not device.online or device.hangs:
            raise DeviceSilent(description.id)
        if epoch is not None:
            if epoch < device.epoch:
                raise DeviceRefused(description.id, "stale_epoch", f"epoch {device.epoch} was seen")
            device.epoch = epoch
        if expect is not None and expect != device.moment():
            code = "wrong_revision" if expect.boot_id == device.moment().boot_id else "wrong_boot"
            raise DeviceRefused(description.id, code, f"it is at {device.moment()}")
        return device

    def _state(self, device: MemoryDevice) -> State:
        return device.state()

    def _tell_all(self, device: MemoryDevice) -> None:
        name = device.description.id
        if not device.online:
            self._tell(WentOffline(device=name))
        elif not device.hangs:
            self._retained[name] = (
                CameOnline(device=name, boot_id=device.moment().boot_id),
                Described(device=name, description=device.description),
                StateHeard(device=name, state=self._state(device)),
                SlotsHeard(device=name, slots=device.readable()),
            )
            self._tell(*self._retained[name])

    def _tell(self, *events: Event) -> None:
        for event in events:
            self._queue.put_nowait(event)
