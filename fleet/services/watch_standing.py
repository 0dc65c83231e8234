"""How rooms stand over time, beside what is compared: what began by itself, who is not there or does not answer."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.model.episode import Episode
from fleet.model.standing import OurMute
from fleet.reconcile.muted import silent_by_us
from fleet.reconcile.room_standing import RoomStanding
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory


def standing_of(
    room: str, desired: Desired, inventory: Inventory, episodes: tuple[Episode, ...], now: datetime
) -> RoomStanding:
    """How a room stands with these episodes of it, or (without a name) all rooms. Raises `Refused` without a venue."""
    venue = desired.venue()
    positions = venue.rooms[room].positions.values() if room else venue.positions()
    told = sorted({p.device for p in positions if inventory.has_told(p.device)})
    silent_since = {device: since for device in told if (since := inventory.silent_since(device)) is not None}
    away = [device for device in told if device in silent_since or not inventory.online(device)]
    return RoomStanding(
        room=room,
        zone=ZoneInfo(venue.time_zone),
        now=now,
        link_trouble=inventory.link_trouble,
        link_since=inventory.link_since,
        episodes=episodes,
        last_seen={device: inventory.known(device).record.last_seen for device in away},
        silent_since=silent_since,
        mutes=_mutes(room, desired, inventory),
    )


def _mutes(room: str, desired: Desired, inventory: Inventory) -> tuple[OurMute, ...]:
    ours = [m for m in desired.mutes.values() if room in ("", m.room)]
    last = {m.device: inventory.reported(m.device) for m in ours}
    return silent_by_us(ours, desired.venue(), {device: one for device, one in last.items() if one is not None})
