"""What is said to one device: requests with deadlines in its own time, refusals as errors, moments as answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pydantic import ValidationError

from fleet.drivers.mqtt import wire, wire_requests
from fleet.drivers.mqtt.requests import Requests
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.uptimes import Uptimes
from fleet.errors import BadInput, DeviceNonsense, DeviceRefused
from fleet.model.edge import complaint_of
from fleet.model.state import Moment


class Dialogue:
    """Asks devices. Knows each one's clock and highest epoch from its answers."""

    def __init__(
        self,
        requests: Requests,
        controller: str,
        timings: Timings,
        *,
        new_id: Callable[[], str],
        clock: Callable[[], float],
    ) -> None:
        self._requests = requests
        self._controller = controller
        self._timings = timings
        self._new_id = new_id
        self._uptimes = Uptimes(clock)
        self._epochs: dict[str, int] = {}

    def booted(self, device: str, boot_id: str) -> None:
        """A device is up in this boot."""
        self._uptimes.booted(device, boot_id)

    async def get(self, device: str) -> wire.Result:
        """Everything a device tells. Raises as `ask`."""
        return await self._once(device, lambda: wire_requests.Get(id=self._new_id(), controller=self._controller))

    async def ask(
        self,
        kind: type[wire_requests.Request],
        device: str,
        body: Mapping[str, Any],
        *,
        epoch: int | None = None,
        expect: Moment | None = None,
    ) -> Moment:
        """The moment after a request was done; without `epoch` the device's own highest is used.

        Raises `DeviceRefused`, `DeviceSilent`, `DeviceNonsense` or `BrokerDown`.
        """
        if self._uptimes.in_future(device, 0) is None:
            await self.get(device)

        def build() -> wire_requests.Request:
            data = {
                "id": self._new_id(),
                "controller": self._controller,
                "deadline_uptime_ms": self._uptimes.in_future(device, self._timings.answer_s) or 0.0,
                "epoch": self._epochs.get(device, 0) if epoch is None else epoch,
                "body": body,
            }
            if expect is not None:
                data["expect"] = {"boot_id": expect.boot_id, "revision": expect.revision}
            return kind.model_validate(data)

        try:
            result = await self._once(device, build)
        except DeviceRefused as refusal:
            if refusal.code != "expired":
                raise
            # It did nothing. Its clock was not what we thought, and its refusal has told what it is.
            result = await self._once(device, build)
        if epoch is not None:  # the device remembers it from here on
            self._epochs[device] = max(self._epochs.get(device, 0), epoch)
        return Moment(boot_id=result.boot_id, revision=result.revision)

    async def _once(self, device: str, build: Callable[[], wire_requests.Request]) -> wire.Result:
        try:
            reply = await self._requests.ask(device, build)
        except ValidationError as error:
            raise DeviceRefused(device, "out_of_range", complaint_of(error)) from None
        except BadInput as error:
            raise DeviceRefused(device, "out_of_range", error.what) from None
        if reply.result is not None:
            self._uptimes.learn(device, reply.result.boot_id, reply.result.uptime_ms)
            if reply.result.state is not None:
                self._epochs[device] = max(self._epochs.get(device, 0), reply.result.state.epoch)
        if reply.refusal is not None:
            raise DeviceRefused(device, reply.refusal.code, reply.refusal.text)
        if reply.result is None:
            raise DeviceNonsense(device, "answered ok without a result")
        return reply.result
