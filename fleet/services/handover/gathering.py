"""Gathers a hand-over: reads every device into a snapshot, and sets that one reading beside what is desired."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fleet.desired.finding import Checked, Finding
from fleet.desired.folder import VENUE_FILE
from fleet.desired.version import Version
from fleet.errors import BrokerDown, Moved
from fleet.model.inventory import DeviceRecord, DeviceStatus
from fleet.model.passive import LoudspeakerType
from fleet.model.snapshot import Snapshot
from fleet.model.venue import Position, References, Room
from fleet.model.walk import Walk
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import select
from fleet.services.checking import Checking
from fleet.services.desired import Desired
from fleet.services.handover.curves import bands_of, curves_of
from fleet.services.handover.delays import delays_of
from fleet.services.handover.pack import HandOver, RoomSheet, ScheduleRow
from fleet.services.handover.slots import slot_rows
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.room_view import positions_of
from fleet.services.snapshots import Snapshots
from fleet.store.protocol import Store


class HandingOver:
    """Gathers hand-overs of a room or of the venue."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        checking: Checking,
        snapshots: Snapshots,
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._checking = checking
        self._snapshots = snapshots

    async def gather(self, room: str | None, who: str, note: str = "") -> HandOver:
        """Everything about a room, or about the venue, at this moment.

        Raises `NotFound`, `Refused` where nothing is loaded, `BrokerDown`, or `Moved` where another version was put in
        force meanwhile.
        """
        version = self._desired.in_force()
        names = [room] if room is not None else sorted(version.venue.rooms)
        venue = self._desired.venue()  # each room in its mode
        positions = [p for name in names for p in select(venue, name)]
        if trouble := self._inventory.link_trouble:
            raise BrokerDown(f"the devices cannot be reached: {trouble}", remedy="The daemon tries again by itself.")
        snapshot = await self._snapshots.take(
            who, note or f"hand-over of {room or version.venue.name}", taken="hand-over"
        )
        walks = await self._walks(names)
        if self._desired.in_force().sha256 != version.sha256:
            raise Moved("another version of the desired state was put in force meanwhile", remedy="Ask for it again.")
        outlook = self._lookout.beside(
            {r.state.id: r for r in snapshot.body.devices}, {n.device: n.words for n in snapshot.body.not_read}
        )
        comparison = self._lookout.compare(outlook, positions)
        rooms = [venue.rooms[name] for name in names]
        return HandOver(
            venue=version.venue.name,
            time_zone=version.venue.time_zone,
            room=room or "",
            note=note,
            snapshot=snapshot,
            schedule=tuple(self._schedule(positions, snapshot, whole=room is None)),
            rooms=tuple(self._sheet(one, outlook) for one in rooms),
            loudspeaker_types=_types(positions),
            slots=slot_rows(positions, outlook, comparison),
            checked=_within(self._checking.check(), version, names),
            comparison=comparison,
            deviations=tuple(sorted((d for d in outlook.agreed if d.room in names), key=lambda d: d.key[:4])),
            walks=walks,
        )

    async def _walks(self, rooms: Sequence[str]) -> tuple[Walk, ...]:
        """The walk of each room that was begun last, by room."""
        last: dict[str, Walk] = {}
        for walk in await self._store.walks():
            last.setdefault(walk.room, walk)
        return tuple(last[room] for room in rooms if room in last)

    def _schedule(self, positions: Sequence[Position], snapshot: Snapshot, *, whole: bool) -> Iterator[ScheduleRow]:
        """Positions with their devices; for the venue, devices that no position names after them."""
        records = {r.id: r for r in self._inventory.records()}
        bound = self._desired.bound()
        statuses = self._inventory.statuses(bound)
        read = {r.state.id for r in snapshot.body.devices}
        for p in sorted(positions, key=lambda p: (p.room, p.name)):
            yield ScheduleRow(
                room=p.room,
                position=p.name,
                device=p.device,
                output=p.output,
                record=records.get(p.device),
                status=statuses[p.device],
                read=p.device in read,
                life_safety=p.life_safety,
                references=p.references,
            )
        yield from (_unbound(records[d], statuses[d], read) for d in sorted(records.keys() - bound) if whole)

    def _sheet(self, room: Room, outlook: Outlook) -> RoomSheet:
        descriptions = self._inventory.descriptions()
        curves, without = curves_of(room, outlook, descriptions)
        latencies = {device: description.latency_ms for device, description in descriptions.items()}
        return RoomSheet(
            name=room.name,
            title=room.title,
            house_curve=room.house_curve or "",
            air_temperature_c=room.air_temperature_c,
            positions=positions_of(room, outlook),
            bands=bands_of(room, outlook),
            curves=curves,
            without_curve=without,
            delays=delays_of(room, outlook, latencies),
        )


def _unbound(record: DeviceRecord, status: DeviceStatus, read: set[str]) -> ScheduleRow:
    return ScheduleRow(
        room="",
        position="",
        device=record.id,
        output=None,
        record=record,
        status=status,
        read=record.id in read,
        life_safety=False,
        references=References(),
    )


def _types(positions: Sequence[Position]) -> tuple[LoudspeakerType, ...]:
    used = {kind.name: kind for p in positions if p.line is not None for kind in p.line.types()}
    return tuple(kind for _, kind in sorted(used.items()))


def _within(checked: Checked, version: Version, rooms: Sequence[str]) -> Checked:
    """What was found in these rooms' files, and in the venue's own, which all rooms stand on."""
    files = {version.places.file_of[room] for room in rooms} | {VENUE_FILE}

    def here(finding: Finding) -> bool:
        return finding.complaint.file in files

    return Checked(
        findings=tuple(f for f in checked.findings if here(f)),
        silenced=tuple(s for s in checked.silenced if here(s.finding)),
    )
