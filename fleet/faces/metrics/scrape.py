"""The metrics as of now: what is a state is read when it is asked for, what is a count is there already."""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import get_args

from prometheus_client import generate_latest

from fleet.faces.metrics.meters import Meters
from fleet.model.change import ENDS, ChangeState
from fleet.model.episode import EpisodeKind
from fleet.model.inventory import DeviceStatus
from fleet.services.together import Services

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
ROOM_STATES = ("same", "differing", "not checked")


async def scrape(services: Services, meters: Meters) -> bytes:
    """All metrics in the text format. Raises `StoreTrouble`."""
    statuses = Counter(services.inventory.statuses(services.desired.bound()).values())
    for status in DeviceStatus:
        meters.devices.labels(status.value).set(statuses[status])
    rooms = await _rooms(services)
    for room in ROOM_STATES:
        meters.rooms.labels(room).set(rooms[room])
    episodes = Counter(episode.kind for episode in services.watching.episodes())
    for kind in get_args(EpisodeKind):
        meters.episodes.labels(kind).set(episodes[kind])
    unfinished = Counter(record.state for record in await services.store.unfinished())
    for state in ChangeState:
        if state not in ENDS:
            meters.unfinished.labels(state.value).set(unfinished[state])
    meters.link_up.set(0 if services.inventory.link_trouble else 1)
    meters.census_age.set(meters.since_census_s())
    return generate_latest(meters.registry)


async def _rooms(services: Services) -> Counter[str]:
    """How many rooms are in which state, by what their devices last told."""
    states: Counter[str] = Counter()
    version = services.desired.version
    for room in version.venue.rooms.values() if version else ():
        positions = list(room.positions.values())
        outlook = services.lookout.glance({p.device for p in positions})
        compared = services.lookout.compare(outlook, positions)
        if compared.counting():
            states["differing"] += 1
        else:
            states["same" if compared.same() else "not checked"] += 1
        await asyncio.sleep(0)  # a venue of many rooms must not keep the devices waiting
    return states
