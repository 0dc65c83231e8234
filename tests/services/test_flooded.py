"""A flood of made-up devices: what the inventory takes, what it forgets, and what reaches the log."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from fleet.drivers.mqtt.hearing import MOST_HELD_BYTES, Held
from fleet.drivers.protocol import CameOnline, Nonsense, WentOffline
from fleet.faces.logs.sparing import MOST_A_MINUTE, Sparing
from fleet.model.inventory import Sighting
from fleet.services import known_devices as bounded
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store
from tests.services.small_venue import NOON, store_at

FEW = 50


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rule is the same for fifty as for twenty thousand."""
    monkeypatch.setattr(bounded, "MOST_DEVICES", FEW)


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with store_at(tmp_path) as opened:
        yield opened


class Clock:
    """The time, to be put forward."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        return self.now


def an_inventory(store: Store, clock: Clock) -> Inventory:
    inventory = Inventory(store, "memory", clock)
    inventory.named = lambda: frozenset({"box-1"})
    return inventory


async def test_beyond_its_bound_only_named_devices_are_taken(store: Store) -> None:
    inventory = an_inventory(store, Clock())
    for number in range(3 * FEW):
        inventory.hear(CameOnline(device=f"fake-{number}", boot_id="b-1"))
        inventory.see(Sighting(device=f"made-up-{number}", at=NOON, source="mdns"))
        inventory.hear(Nonsense(device=f"odd-{number}", what="is no device"))
    inventory.hear(CameOnline(device="box-1", boot_id="b-1"))
    assert len(inventory.records()) == FEW + 1
    assert inventory.online("box-1")
    assert inventory.passed_over == 9 * FEW - FEW
    await inventory.flush()
    assert len(await store.devices()) == FEW + 1


async def test_what_is_gone_for_an_hour_makes_room(store: Store) -> None:
    clock = Clock()
    inventory = an_inventory(store, clock)
    for device in ["box-1", *(f"fake-{number}" for number in range(2 * FEW))]:
        inventory.hear(CameOnline(device=device, boot_id="b-1"))
        inventory.hear(WentOffline(device=device))
    await inventory.flush()
    clock.now = NOON + timedelta(minutes=59)
    await inventory.flush()
    assert len(inventory.records()) == FEW
    clock.now = NOON + timedelta(minutes=61)
    await inventory.flush()
    assert [record.id for record in inventory.records()] == ["box-1"], "which a position names"
    assert [record.id for record in await store.devices()] == ["box-1"]
    assert await store.sightings("fake-1") == ()
    inventory.hear(CameOnline(device="new-1", boot_id="b-1"))
    assert inventory.online("new-1")


def test_messages_that_wait_for_a_description_are_bounded_together() -> None:
    held = Held()
    payload = bytes(60_000)
    many = MOST_HELD_BYTES // len(payload) + 50
    for number in range(many):
        held.hold(f"fake-{number}", "state", payload)
    kept = [number for number in range(many) if held.take(f"fake-{number}")]
    assert len(kept) == MOST_HELD_BYTES // len(payload)
    assert kept[-1] == many - 1, "the last ones are kept"
    held.hold("box-1", "state", payload)
    held.hold("box-1", "state", b"new")
    assert held.take("box-1") == {"state": b"new"}


def record(created: float, message: str = "%s: %s", level: int = logging.WARNING) -> logging.LogRecord:
    one = logging.LogRecord("fleet", level, "", 0, message, ("box-1", "odd"), None)
    one.created = created
    return one


def test_lines_that_are_alike_are_counted_and_not_written() -> None:
    sparing = Sparing()
    written = [one for one in (record(n / 1000) for n in range(50_000)) if sparing.filter(one)]
    assert len(written) == MOST_A_MINUTE
    assert "left out for a minute" in written[-1].left_out  # type: ignore[attr-defined]
    assert sparing.filter(record(50.0, "something else: %s %s")), "another line is written"
    later = record(61.0)
    assert sparing.filter(later)
    assert f"{50_000 - MOST_A_MINUTE} lines like this one" in later.left_out  # type: ignore[attr-defined]


def test_two_handlers_write_the_same_lines_and_what_is_for_debugging_is_not_counted() -> None:
    sparing = Sparing()
    for n in range(2 * MOST_A_MINUTE):
        one = record(n / 1000)
        assert sparing.filter(one) == sparing.filter(one) == (n < MOST_A_MINUTE)
        assert sparing.filter(record(n / 1000, level=logging.DEBUG))
