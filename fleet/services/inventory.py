"""The inventory: every device that was ever seen, what it last told, and whether it may be trusted."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from fleet.drivers.protocol import (
    CameOnline,
    Described,
    Event,
    LinkDown,
    LinkUp,
    Nonsense,
    SlotsHeard,
    StateHeard,
    WentOffline,
)
from fleet.errors import Refused
from fleet.model.description import Description
from fleet.model.inventory import DeviceRecord, Retirement, Sighting
from fleet.model.names import shown
from fleet.model.once import Once
from fleet.model.state import Reported, Slots, State
from fleet.reconcile.identity import identity_of, judge, shared_serials
from fleet.services.answers import Answers
from fleet.services.known_devices import Known, KnownDevices
from fleet.services.unwritten import Unwritten
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

STRANGER_STAYS: Final = timedelta(hours=1)
"""Where the inventory is full: how long a device that no position names stays once it is gone."""


class Inventory(KnownDevices):
    """Hears what drivers and discovery tell, judges it, and keeps records in the store (written by `flush`)."""

    def __init__(self, store: Store, route: str, clock: Callable[[], datetime], *, port: int | None = None) -> None:
        super().__init__(Answers(clock, self._tell))
        self._store = store
        self._route = route
        self._clock = clock
        self._port = port
        self._unwritten = Unwritten(store)
        self._complained = Once()
        self.link_trouble = "not connected yet"
        """Why the link to the devices is down; empty while it works."""
        self._announced: set[str] = set()
        self.link_since = clock()
        """Since when the link is as it is."""
        self._listeners: list[Callable[[State], None]] = []
        self._watchers: list[Callable[[str], None]] = []

    @property
    def announced(self) -> frozenset[str]:
        """Devices that mDNS announced since the start, with the port of our own link where that is known."""
        return frozenset(self._announced)

    async def open(self) -> None:
        """Take the records of the store; presence starts unknown, since the past proves nothing."""
        for record in await self._store.devices():
            self._known[record.id] = Known(record=replace(record, online=False))

    async def flush(self) -> None:
        """Write what changed to the store. What could not be written is written the next time."""
        await self._make_room()
        await self._unwritten.write(lambda device: self._known[device].record)

    def listen(self, listener: Callable[[State], None]) -> None:
        """Tell `listener` each state that a device tells by itself, but for those that are older than the last one."""
        self._listeners.append(listener)

    def watch(self, watcher: Callable[[str], None]) -> None:
        """Tell `watcher` the id of each device that is not as it was: presence, settings, slots, what it is.

        The empty id stands for the link to all of them.
        """
        self._watchers.append(watcher)

    def hear(self, event: Event) -> None:
        """Take an event of a driver."""
        if not isinstance(event, LinkUp | LinkDown) and self._no_room(event.device):
            return
        match event:
            case LinkUp():
                self._link("")
            case LinkDown(why=why):
                self._link(why)
                for device in self._known:
                    self._leave(device)
            case CameOnline(device=device):
                self._come(device)
            case WentOffline(device=device):
                self._leave(device)
            case Described(device=device, description=description):
                self._describe(device, description)
            case StateHeard(device=device, state=state):
                self._hear_state(device, state)
            case SlotsHeard(device=device, slots=slots):
                self._take_slots(device, slots)
            case Nonsense(device=device, what=what):
                self._complain(device, what)

    def see(self, sighting: Sighting) -> None:
        """Take a sighting: the device was there, which does not prove that it is alive."""
        if self._no_room(sighting.device):
            return
        known = self._entry(sighting.device)
        self._unwritten.sighted(sighting)
        if sighting.source == "mdns" and self._port in (None, sighting.port):
            self._announced.add(sighting.device)
        if not sighting.gone:
            address = sighting.address or known.record.address
            self._update(sighting.device, replace(known.record, last_seen=sighting.at, address=address))

    def take(self, reported: Reported) -> None:
        """Take a full reading of a device, which is proof of life."""
        device = reported.state.id
        self._update(device, replace(self._entry(device).record, online=True, route=self._route))
        self._alive(device)
        self._describe(device, reported.description)
        if self._take_state(device, reported.state):
            self.answers.proved(device)
        else:
            self._complain(device, "answers with an older state than it told before")
            self.unanswered(device)
        self._take_slots(device, reported.slots)

    def unanswered(self, device: str) -> None:
        """A device did not answer a question; one that is not there need not."""
        if self.online(device):
            self.answers.unanswered(device)

    async def accept(self, device: str) -> DeviceRecord:
        """A person vouches for a conflicting device: what it reports now is its identity from here on.

        Raises `NotFound`, or `Refused` where nothing was reported or another device claims the same serial.
        """
        known = self.known(device)
        description = known.record.description
        if description is None or known.state is None:
            raise Refused(f"{device} has not told who it is yet", remedy="Wait until it is reachable.")
        if words := shared_serials(self.descriptions().values()).get(device):
            raise Refused(words, remedy="Switch one of them off or put its serial right; then accept the other.")
        self._update(device, replace(known.record, identity=identity_of(description, known.state), conflicts=()))
        await self.flush()
        return known.record

    async def retire(self, device: str, retirement: Retirement | None) -> None:
        """Take a device out of service, or (`None`) back into it."""
        self._update(device, replace(self._entry(device).record, retired=retirement))
        await self.flush()

    async def _make_room(self) -> None:
        if gone := self._strangers_gone(before=self._clock() - STRANGER_STAYS):
            await self._store.drop_devices(gone)
            for device in gone:
                del self._known[device]
                self._unwritten.forget(device)
                self._announced.discard(device)
                self.answers.forget(device)
            log.warning(
                "the inventory was full: %d devices that no position names, and that are gone, are forgotten", len(gone)
            )

    def _alive(self, device: str) -> None:
        """It has told something just now."""
        self._update(device, replace(self._entry(device).record, last_seen=self._clock()))

    def _come(self, device: str) -> None:
        """Its presence says that it is there; of one that is there already a broker only tells that again."""
        if not self.online(device):
            self.see(Sighting(device=device, at=self._clock(), source="broker"))
        self._update(device, replace(self._entry(device).record, online=True, route=self._route))

    def _hear_state(self, device: str, state: State) -> None:
        last = self._entry(device).state
        if not self._take_state(device, state):
            return
        if self.answers.heard(device, last, state):
            self._alive(device)
        for listener in self._listeners:
            listener(state)

    def _leave(self, device: str) -> None:
        """It is gone. It was there up to now, whenever it last had something to tell, unless it did not answer."""
        record = self._entry(device).record
        if record.online:
            seen = record.last_seen if self.silent_since(device) else self._clock()
            self._update(device, replace(record, online=False, last_seen=seen))

    def _describe(self, device: str, description: Description) -> None:
        known = self._entry(device)
        self._update(device, replace(known.record, description=description))
        if known.state is not None:
            self._take_state(device, known.state)

    def _take_state(self, device: str, state: State) -> bool:
        """Whether the state is not older than the last one."""
        known = self._entry(device)
        if known.record.description is None:
            known.state = state
            return True
        judgement = judge(known.record.identity, known.state, known.record.description, state)
        if judgement.stale:
            return False
        for words in judgement.conflicts:
            self._complain(device, words)
        last, known.state = known.state, state
        if last is None or not _alike(last, state):
            self._tell(device)
        # Conflicts stay until a person accepts the device: a box that looks right again proves nothing.
        conflicts = tuple(dict.fromkeys((*known.record.conflicts, *judgement.conflicts)))
        trouble = known.record.trouble if conflicts else ""
        self._update(device, replace(known.record, identity=judgement.identity, conflicts=conflicts, trouble=trouble))
        return True

    def _take_slots(self, device: str, slots: Slots) -> None:
        known = self._entry(device)
        last, known.slots = known.slots, slots
        if last != slots:
            self._tell(device)

    def _link(self, trouble: str) -> None:
        if bool(trouble) != bool(self.link_trouble):
            self.link_since = self._clock()
        self.link_trouble = trouble
        self._tell("")

    def _tell(self, device: str) -> None:
        for watcher in self._watchers:
            watcher(device)

    def _complain(self, device: str, what: str) -> None:
        """Log once per device and complaint, and remember the last one."""
        level = logging.WARNING if self._complained.first((device, what)) else logging.DEBUG
        log.log(level, "%s: %s", shown(device), shown(what, 200))
        self._update(device, replace(self._entry(device).record, trouble=shown(what, 200)))

    def _entry(self, device: str) -> Known:
        if device not in self._known:
            now = self._clock()
            self._known[device] = Known(record=DeviceRecord(id=device, first_seen=now, last_seen=now))
            self._unwritten.changed(device)
        return self._known[device]

    def _update(self, device: str, record: DeviceRecord) -> None:
        known = self._entry(device)
        if record != known.record:
            last, known.record = known.record, record
            self._unwritten.changed(device)
            if (last.online, last.description, last.conflicts) != (record.online, record.description, record.conflicts):
                self._tell(device)


def _alike(one: State, other: State) -> bool:
    """Whether two states tell the same of everything but the passing of time."""
    return (one.boot_id, one.serial, one.active_slot, one.live, one.mute_causes, one.cause) == (
        other.boot_id,
        other.serial,
        other.active_slot,
        other.live,
        other.mute_causes,
        other.cause,
    )
