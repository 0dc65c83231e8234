"""The MQTT driver: the driver protocol over the wire contract."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from random import Random
from types import TracebackType
from typing import Self

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.held import HeldWork
from fleet.drivers.mqtt import codec, wire_requests
from fleet.drivers.mqtt.convert import work_members
from fleet.drivers.mqtt.dialogue import Dialogue
from fleet.drivers.mqtt.hearing import Hearing
from fleet.drivers.mqtt.link import Link, LinkState
from fleet.drivers.mqtt.requests import Requests
from fleet.drivers.mqtt.session import Session
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.topics import checked_root, device_topic, replies_topic
from fleet.drivers.protocol import Abilities, CameOnline, Event, LinkDown, LinkUp
from fleet.errors import BrokerDown, DeviceNonsense, DeviceRefused
from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings
from fleet.model.state import Moment, Reported
from fleet.reconcile.representable import representable
from fleet.tasks import end

log = logging.getLogger(__name__)


class MqttDriver:
    """Talks to devices through a broker. `async with` keeps the link up; it opens even while the broker is down.

    `new_id` makes request ids, `clock` counts seconds, `random` spreads reconnections.
    """

    name = "mqtt"

    def __init__(
        self,
        broker: BrokerAddress,
        root: str,
        controller: str,
        *,
        new_id: Callable[[], str],
        clock: Callable[[], float],
        random: Random,
        timings: Timings,
    ) -> None:
        self._broker = broker
        self._root = checked_root(root)
        self._replies = replies_topic(root, controller)
        self._session = Session(broker, root, controller, timings, on_up=self._came_up, on_message=self._message)
        self._link = Link(
            broker, controller, random=random, timings=timings, session=self._session.live, on_down=self._went_down
        )
        self._hearing = Hearing(root)
        self._requests = Requests(self._send, timings)
        self._dialogue = Dialogue(self._requests, controller, timings, new_id=new_id, clock=clock)
        self._held = HeldWork()
        self._queue: asyncio.Queue[Event | None] = asyncio.Queue()
        self._running: asyncio.Task[None] | None = None
        self._told_down: str | None = None

    async def __aenter__(self) -> Self:
        self._running = asyncio.create_task(self._link.run(), name="mqtt link")
        self._running.add_done_callback(self._link_ended)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._running is not None
        await end(self._running)

    async def events(self) -> AsyncIterator[Event]:
        """What the driver hears, in order, until it is closed. One reader."""
        while (event := await self._queue.get()) is not None:
            yield event

    def wake(self) -> None:
        """Something was announced: if the link is down, try it now and not at the end of the back-off."""
        self._link.wake()

    async def census(self) -> frozenset[str]:
        """Ids of all devices that retain something at the broker. Raises `BrokerDown`."""
        if self._link.state is not LinkState.UP:
            raise BrokerDown(f"no connection to {self._broker}: {self._link.why}")
        return await self._session.census()

    def abilities(self, description: Description) -> Abilities:
        """By the features that the device declares."""
        return Abilities(
            stages="stage" in description.features,
            revert_timer="revert_timer" in description.features,
            readable_slots=description.slots.readable_inactive,
        )

    def representable(self, description: Description, settings: DeviceSettings) -> DeviceSettings:
        """The nearest settings that the device can hold. Raises `BadInput`."""
        return representable(description, settings)

    async def read(self, description: Description) -> Reported:
        """The device's state and slots, by `get`."""
        device = description.id
        result = await self._dialogue.get(device)
        if result.state is None or result.slots is None:
            raise DeviceNonsense(device, "answered get without its state and slots")
        return Reported(
            description=description,
            state=codec.state_of(device, result.state, description.q_convention),
            slots=codec.slots_of(device, result.slots, description.q_convention),
        )

    async def prepare(
        self, description: Description, change: str, work: dict[Phase, Work], expect: Moment, epoch: int
    ) -> None:
        """Stage the work of all phases, or check and hold it for a device that cannot stage."""
        if not self.abilities(description).stages:
            self._held.hold(description, change, work)
            return
        for phase, each in sorted(work.items()):
            body = {"change": change, "phase": int(phase), **work_members(each, description.q_convention)}
            await self._dialogue.ask(wire_requests.Stage, description.id, body, epoch=epoch, expect=expect)

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
        """Commit a staged phase; send a held one as `set`."""
        device = description.id
        if self.abilities(description).stages:
            body = {"change": change, "phase": int(phase), "revert_after_ms": revert_after_ms}
            return await self._dialogue.ask(wire_requests.Commit, device, body, epoch=epoch, expect=expect)
        if revert_after_ms is not None:
            raise DeviceRefused(device, "unsupported", "it has no revert timer")
        work = self._held.phase(device, change, phase)
        body = {"change": change, **work_members(work, description.q_convention)}
        moment = await self._dialogue.ask(wire_requests.Set, device, body, epoch=epoch, expect=expect)
        self._held.committed(device, change, moment)
        return moment

    async def keep(self, description: Description, change: str, epoch: int) -> Moment:
        """Keep; a device that cannot stage has kept already."""
        device = description.id
        if self.abilities(description).stages:
            return await self._dialogue.ask(wire_requests.Keep, device, {"change": change}, epoch=epoch)
        return self._held.keep(device, change) or (await self.read(description)).state.moment

    async def revert(self, description: Description, change: str, epoch: int) -> Moment:
        """Revert; a device that cannot stage cannot revert."""
        if not self.abilities(description).stages:
            raise DeviceRefused(description.id, "unsupported", "it cannot return to an earlier state by itself")
        return await self._dialogue.ask(wire_requests.Revert, description.id, {"change": change}, epoch=epoch)

    async def abort(self, description: Description, change: str, epoch: int) -> None:
        """Drop what is staged or held."""
        if not self.abilities(description).stages:
            self._held.abort(description.id, change)
            return
        await self._dialogue.ask(wire_requests.Abort, description.id, {"change": change}, epoch=epoch)

    async def identify(self, description: Description, seconds: int) -> None:
        """Blink for 1 to 60 seconds."""
        await self._dialogue.ask(wire_requests.Identify, description.id, {"seconds": seconds})

    async def restart(self, description: Description, expect: Moment, epoch: int) -> None:
        """Restart; the answer comes before it."""
        await self._dialogue.ask(wire_requests.Restart, description.id, {}, epoch=epoch, expect=expect)

    def _came_up(self) -> None:
        self._link.came_up()
        self._told_down = None
        self._tell(LinkUp())

    def _message(self, topic: str, payload: bytes) -> None:
        if topic == self._replies:
            self._reply(payload)
            return
        for event in self._hearing.hear(topic, payload):
            if isinstance(event, CameOnline):
                self._dialogue.booted(event.device, event.boot_id)
            self._tell(event)

    def _reply(self, payload: bytes) -> None:
        try:
            self._requests.heard(payload)
        except DeviceNonsense as error:
            for event in self._hearing.complain(error, "reply"):
                self._tell(event)

    async def _send(self, device: str, payload: bytes) -> None:
        await self._link.publish(device_topic(self._root, device, "request"), payload)

    def _tell(self, event: Event) -> None:
        self._queue.put_nowait(event)

    def _went_down(self, why: str) -> None:
        if why != self._told_down:  # each attempt fails, but only news is an event
            self._told_down = why
            self._tell(LinkDown(why=why))

    def _link_ended(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and task.exception() is not None:
            log.error("the link to %s ended by itself", self._broker, exc_info=task.exception())
            self._tell(LinkDown(why="a fault of this program ended the link; it has to be started again"))
        self._queue.put_nowait(None)
