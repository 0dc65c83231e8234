"""Looks at the devices that told something new: their positions compared, and why differences may be no drift."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime

from fleet.model.difference import Difference
from fleet.model.state import Reported
from fleet.model.venue import Position, Venue
from fleet.reconcile.drift_facts import Look, Reason, Sign
from fleet.reconcile.outlook import Outlook
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout


class WatchLooks:
    """Compares devices by what they last told, and remembers how each was before."""

    def __init__(self, inventory: Inventory, desired: Desired, lookout: Lookout, guest_book: GuestBook) -> None:
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._guest_book = guest_book
        self._positions: Mapping[str, tuple[Position, ...]] = {}
        self._last: dict[str, Reported] = {}
        """Each device as it was when it was last looked at."""
        self.looked_at: dict[str, set[str]] = {}
        """By room, the places that were looked at."""
        self.known: set[tuple[str, str]] = set()
        """Places with the device that was looked at there."""

    def of_venue(self, venue: Venue) -> None:
        """Go by these positions from here on."""
        positions: dict[str, list[Position]] = {}
        for position in venue.positions():
            positions.setdefault(position.device, []).append(position)
        self._positions = {device: tuple(ones) for device, ones in positions.items()}
        places = {_place(p) for p in venue.positions()}
        self.looked_at = {r: left for r, all_of in self.looked_at.items() if (left := all_of & places)}
        self.known &= {(_place(p), p.device) for p in venue.positions()}
        self._last = {device: last for device, last in self._last.items() if device in self._positions}

    @property
    def devices(self) -> Collection[str]:
        """All devices that have a position."""
        return self._positions.keys()

    @property
    def places(self) -> tuple[frozenset[str], Collection[str]]:
        """All positions by their full names, and all devices that have one."""
        return frozenset(_place(p) for ones in self._positions.values() for p in ones), self._positions.keys()

    def rooms_of(self, devices: Collection[str]) -> frozenset[str]:
        """The rooms that these devices serve."""
        return frozenset(p.room for device in devices for p in self._positions.get(device, ()))

    def remembers(self, places: Collection[str]) -> None:
        """These places were looked at by a daemon before this one."""
        for ones in self._positions.values():
            for p in ones:
                if (place := _place(p)) in places:
                    self.looked_at.setdefault(p.room, set()).add(place)
                    self.known.add((place, p.device))

    def now(self, devices: Collection[str], reason: Mapping[str, Reason], at: Mapping[str, datetime]) -> list[Look]:
        """Devices as they are now. `reason` holds those that are known to have one, `at` when each told it."""
        found = list(self._looks(self._lookout.glance(devices), devices, reason, at))
        for device in devices:
            last = self._inventory.reported(device)
            if last is not None and self._inventory.online(device):
                self._last[device] = last
        return found

    def as_last_seen(self, devices: Collection[str], reason: Reason, now: datetime) -> list[Look]:
        """Devices as they were when they were last looked at, beside what is wanted now for this reason."""
        reported = {device: self._last[device] for device in devices if device in self._last}
        if not reported:
            return []
        reasons: dict[str, Reason] = dict.fromkeys(reported, reason)
        at = dict.fromkeys(reported, now)
        return list(self._looks(self._lookout.beside(reported, {}), reported, reasons, at))

    def sign(self, device: str) -> Sign | None:
        """Whether a device is there; `None` for one that never was."""
        positions = self._positions.get(device)
        if positions is None or not self._inventory.has_told(device):
            return None
        known = self._inventory.known(device)
        return Sign(
            device=device,
            online=known.record.online,
            last_seen=known.record.last_seen,
            silent_since=self._inventory.silent_since(device),
            boot=known.state.boot_id if known.state is not None else "",
            rooms=tuple(dict.fromkeys(p.room for p in positions)),
            positions=tuple(_place(p) for p in positions),
        )

    def _looks(
        self,
        outlook: Outlook,
        devices: Collection[str],
        reasons: Mapping[str, Reason],
        at: Mapping[str, datetime],
    ) -> Iterator[Look]:
        positions = [p for device in devices for p in self._positions.get(device, ()) if not p.life_safety]
        compared = self._lookout.compare(outlook, positions)
        checked = set(compared.checked)
        differing, muted = compared.counting(), {(n.room, n.position): n.words for n in compared.notes if n.silent}
        by_place: dict[tuple[str, str], list[Difference]] = {}
        for difference in differing:
            by_place.setdefault((difference.room, difference.position), []).append(difference)
        for p in positions:
            if (p.room, p.name) not in checked:
                continue
            place = _place(p)
            yield Look(
                room=p.room,
                position=p.name,
                device=p.device,
                at=at[p.device],
                differences=tuple(by_place.get((p.room, p.name), ())),
                muted=muted.get((p.room, p.name), "").partition(":")[0],
                reason=reasons.get(p.device) or self._reason(place, p),
                before=self._last.get(p.device),
                now=outlook.reported.get(p.device),
            )
            self.looked_at.setdefault(p.room, set()).add(place)
            self.known.add((place, p.device))

    def _reason(self, place: str, p: Position) -> Reason:
        if (place, p.device) not in self.known:
            return "first"
        return "guest" if self._guest_book.quiet(p.room) else ""


def _place(p: Position) -> str:
    return f"{p.room}/{p.name}"
