"""The inventory: what is heard becomes a status, conflicts stay until accepted, and records outlive a restart."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from fleet.drivers.protocol import (
    CameOnline,
    Described,
    LinkDown,
    LinkUp,
    Nonsense,
    SlotsHeard,
    StateHeard,
    WentOffline,
)
from fleet.errors import NotFound, Refused, StoreTrouble
from fleet.model.inventory import Sighting
from fleet.model.state import Moment, State
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store
from tests.services.small_venue import NOON, box, description


@pytest.fixture
def inventory(store: Store) -> Inventory:
    return Inventory(store, "memory", lambda: NOON)


def tell(inventory: Inventory, device: str, **other: Any) -> None:
    """Everything a device tells when it comes."""
    one = box(device)
    described = replace(one.description, **other)
    inventory.hear(CameOnline(device=device, boot_id="b-1"))
    inventory.hear(Described(device=device, description=described))
    inventory.hear(StateHeard(device=device, state=replace(one.state(), serial=described.serial)))
    inventory.hear(SlotsHeard(device=device, slots=one.slots))


def state(device: str, *, boot: int = 1, revision: int = 1, **other: Any) -> State:
    return replace(box(device).state(), moment=Moment(boot_id=f"b-{boot}", revision=revision), boot_count=boot, **other)


def test_what_is_heard_becomes_a_status(inventory: Inventory) -> None:
    inventory.see(Sighting(device="box-7", at=NOON, source="mdns"))
    tell(inventory, "box-1")
    tell(inventory, "box-2")
    tell(inventory, "box-3")
    inventory.hear(WentOffline(device="box-3"))
    statuses = inventory.statuses({"box-1", "box-3", "box-8"})
    assert {d: s.value for d, s in statuses.items()} == {
        "box-1": "bound",
        "box-2": "reachable",
        "box-3": "missing",
        "box-7": "seen",
        "box-8": "missing",
    }


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (state("box-1", boot=1, revision=9, serial="SN-other"), "serial"),
        (replace(state("box-1", boot=2), moment=Moment(boot_id="b-2", revision=1), boot_count=1), "boot count 1"),
    ],
)
async def test_a_conflict_stays_until_it_is_accepted(inventory: Inventory, other: State, words: str) -> None:
    tell(inventory, "box-1")
    inventory.hear(StateHeard(device="box-1", state=other))
    assert words in inventory.conflicts()["box-1"]
    inventory.hear(StateHeard(device="box-1", state=state("box-1", revision=20)))
    assert inventory.statuses({"box-1"})["box-1"] == "conflicting", "looking right again proves nothing"
    record = await inventory.accept("box-1")
    assert record.conflicts == ()
    assert inventory.statuses({"box-1"})["box-1"] == "bound"


async def test_an_ended_boot_that_comes_back_is_conflicting(inventory: Inventory) -> None:
    tell(inventory, "box-1")
    inventory.hear(StateHeard(device="box-1", state=state("box-1", boot=2)))
    assert not inventory.conflicts(), "a higher boot count is an ordinary restart"
    inventory.hear(StateHeard(device="box-1", state=state("box-1", boot=1)))
    assert "b-1" in inventory.conflicts()["box-1"]


def test_another_mac_or_serial_is_conflicting(inventory: Inventory) -> None:
    tell(inventory, "box-1")
    inventory.hear(Described(device="box-1", description=description("box-1", mac="02:00:5e:00:00:09")))
    assert "02:00:5e:00:00:09" in inventory.conflicts()["box-1"]


def test_a_lower_revision_is_dropped(inventory: Inventory) -> None:
    tell(inventory, "box-1")
    inventory.hear(StateHeard(device="box-1", state=state("box-1", revision=8, active_slot=3)))
    inventory.hear(StateHeard(device="box-1", state=state("box-1", revision=7, active_slot=4)))
    reported = inventory.reported("box-1")
    assert reported is not None
    assert (reported.state.revision, reported.state.active_slot) == (8, 3)


async def test_two_devices_with_one_serial_are_both_conflicting(inventory: Inventory) -> None:
    tell(inventory, "box-1", serial="SN-7")
    tell(inventory, "box-2", serial="SN-7")
    assert set(inventory.conflicts()) == {"box-1", "box-2"}
    with pytest.raises(Refused, match="SN-7 is claimed by box-1 and box-2"):
        await inventory.accept("box-1")


async def test_accepting_needs_a_device_that_told_who_it_is(inventory: Inventory) -> None:
    with pytest.raises(NotFound, match="no device 'box-1'"):
        await inventory.accept("box-1")
    inventory.see(Sighting(device="box-1", at=NOON, source="mdns"))
    with pytest.raises(Refused, match="has not told who it is"):
        await inventory.accept("box-1")


def test_garbage_is_logged_once_as_a_warning(inventory: Inventory, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG, logger="fleet.services.inventory")
    for _ in range(3):
        inventory.hear(Nonsense(device="box-1", what="not JSON\x1b[31m"))
    assert [r.levelno for r in caplog.records] == [logging.WARNING, logging.DEBUG, logging.DEBUG]
    assert "\x1b" not in caplog.text
    assert inventory.records()[0].trouble == "not JSON?[31m"
    tell(inventory, "box-1")
    assert inventory.records()[0].trouble == "", "a usable report takes the complaint back"


def test_a_link_that_is_down_proves_nobody_alive(inventory: Inventory) -> None:
    inventory.hear(LinkUp())
    assert inventory.link_trouble == ""
    tell(inventory, "box-1")
    inventory.hear(LinkDown(why="connection refused"))
    assert inventory.link_trouble == "connection refused"
    assert not inventory.online("box-1")
    assert inventory.statuses({"box-1"})["box-1"] == "missing"


async def test_records_survive_a_restart_as_absent(store: Store, inventory: Inventory) -> None:
    tell(inventory, "box-1")
    inventory.hear(StateHeard(device="box-1", state=state("box-1", revision=9, serial="SN-other")))
    inventory.see(Sighting(device="box-1", at=NOON + timedelta(seconds=5), source="mdns", address="192.0.2.7"))
    before = inventory.records()
    await inventory.flush()
    later = Inventory(store, "memory", lambda: NOON)
    await later.open()
    assert later.records() == tuple(replace(r, online=False) for r in before)
    assert later.statuses(())["box-1"] == "conflicting", "a conflict outlives the daemon"
    assert later.reported("box-1") is None, "old settings are not taken for present ones"


async def test_sightings_are_remembered_last_first(store: Store, inventory: Inventory) -> None:
    for second in range(3):
        at = NOON + timedelta(seconds=second)
        inventory.see(Sighting(device="box-1", at=at, source="mdns", address=f"192.0.2.{second}", gone=second == 2))
    await inventory.flush()
    await inventory.flush()
    assert [s.address for s in await store.sightings("box-1")] == ["192.0.2.2", "192.0.2.1", "192.0.2.0"]
    record = inventory.records()[0]
    assert (record.address, record.last_seen) == ("192.0.2.1", NOON + timedelta(seconds=1)), "a goodbye is no presence"


def test_only_mdns_announces(inventory: Inventory) -> None:
    inventory.see(Sighting(device="box-1", at=NOON, source="mdns"))
    inventory.see(Sighting(device="box-2", at=NOON, source="list"))
    tell(inventory, "box-3")
    assert inventory.announced == {"box-1"}


async def test_what_could_not_be_written_is_written_later(store: Store) -> None:
    class Full:
        """A store on a full disk, until it is not."""

        full = True

        def __getattr__(self, name: str) -> Any:
            async def refuse(*_: object) -> None:
                raise StoreTrouble("the disk is full")

            return refuse if self.full else getattr(store, name)

    disk = Full()
    inventory = Inventory(disk, "memory", lambda: NOON)
    tell(inventory, "box-1")
    with pytest.raises(StoreTrouble):
        await inventory.flush()
    disk.full = False
    await inventory.flush()
    assert [r.id for r in await store.devices()] == ["box-1"]
    assert len(await store.sightings("box-1")) == 1
