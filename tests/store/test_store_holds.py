"""Rooms on hold, as the store keeps them."""

from __future__ import annotations

from datetime import UTC, datetime

from fleet.model.hold import Hold
from fleet.store.protocol import Store

EVENING = datetime(2031, 5, 17, 23, 30, tzinfo=UTC)


async def test_a_hold_comes_back_is_replaced_and_dropped(store: Store) -> None:
    await store.save_hold(Hold(room="weir-hall", until=EVENING, who="ana", why="show"))
    await store.save_hold(Hold(room="foyer", until=EVENING, who="ben"))
    later = Hold(room="weir-hall", until=EVENING.replace(hour=23, minute=59), who="ben", why="encore")
    await store.save_hold(later)
    assert await store.holds() == (Hold(room="foyer", until=EVENING, who="ben"), later)
    await store.drop_hold("weir-hall")
    assert [hold.room for hold in await store.holds()] == ["foyer"]
