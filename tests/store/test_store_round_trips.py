"""What is stored comes back equal, newest first where there is an order, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_samples import NOON, SUMMER, a_change, a_device, a_plan, a_snapshot, an_entry

from fleet.errors import StoreTrouble
from fleet.model import edge
from fleet.model.change import ENDS, ChangeState, JournalEntry, Outcome
from fleet.model.inventory import DeviceRecord, Sighting
from fleet.store.inventory import SIGHTINGS_KEPT
from fleet.store.protocol import Store

# PostgreSQL's text cannot hold NUL, and UTF-8 no surrogates; the edge lets neither through to be shown.
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=80)
TIME = st.datetimes(timezones=st.sampled_from([UTC, SUMMER]))
EXAMPLES = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


async def test_a_new_database_starts_at_epoch_1(store: Store) -> None:
    assert await store.epoch() == 1


async def test_the_epoch_only_rises(store: Store) -> None:
    await store.set_epoch(2**40)
    await store.set_epoch(2**40)
    with pytest.raises(StoreTrouble, match="never goes down"):
        await store.set_epoch(2**40 - 1)
    assert await store.epoch() == 2**40


async def test_the_controller_id_is_made_once(store: Store) -> None:
    ids = iter(["fleet-0a1b2c3d", "fleet-second"])
    assert await store.controller(lambda: next(ids)) == "fleet-0a1b2c3d"
    assert await store.controller(lambda: next(ids)) == "fleet-0a1b2c3d"


async def test_versions(store: Store) -> None:
    assert await store.latest_version() is None
    old = {"venue.yaml": "format: 1\n", "rooms/weir-hall.yaml": "name: Wehrsaal ☂\n"}
    numbers = [
        await store.save_version(old, "aa", "ines", NOON, "first"),
        await store.save_version({}, "bb", "ines", NOON - timedelta(days=1)),  # the clock was set back
        await store.save_version(old, "aa", "jo", NOON.astimezone(SUMMER), "back again"),
    ]
    assert numbers == sorted(set(numbers))
    assert [v.number for v in await store.versions()] == numbers[::-1]
    assert [v.sha256 for v in await store.versions(limit=2)] == ["aa", "bb"]
    latest = await store.latest_version()
    assert latest is not None
    assert (latest.files, latest.who, latest.at, latest.note) == (old, "jo", NOON, "back again")
    assert latest.at.tzinfo is UTC
    assert await store.version("aa") == latest
    assert await store.version("none") is None


async def test_saving_a_device_again_replaces_it(store: Store) -> None:
    await store.save_devices([a_device("box-2"), a_device("Box-1"), a_device("box-1")])
    plainer = DeviceRecord(id="box-1", first_seen=NOON, last_seen=NOON)
    await store.save_devices([plainer, a_device("box-3")])
    assert await store.devices() == (a_device("Box-1"), plainer, a_device("box-2"), a_device("box-3"))


async def test_saving_no_devices_is_no_error(store: Store) -> None:
    await store.save_devices([])
    assert await store.devices() == ()


@EXAMPLES
@given(conflicts=st.lists(TEXT), trouble=TEXT, first=TIME, last=TIME, online=st.booleans())
async def test_any_device_comes_back(store: Store, conflicts, trouble, first, last, online) -> None:
    record = replace(
        a_device(), conflicts=tuple(conflicts), trouble=trouble, first_seen=first, last_seen=last, online=online
    )
    await store.save_devices([record])
    (back,) = await store.devices()
    assert back == record
    assert back.first_seen.utcoffset() == timedelta(0)


async def test_sightings_of_one_device_come_last_first(store: Store) -> None:
    heard = [
        Sighting(device="box-1", at=NOON + timedelta(seconds=n), source="mdns", address="192.0.2.7", port=1883 + n)
        for n in range(4)
    ]
    goodbye = Sighting(device="box-1", at=NOON, source="list", model="m", firmware="1", link="x", gone=True)
    await store.add_sightings([heard[0], Sighting(device="box-2", at=NOON, source="broker")])
    await store.add_sightings([*heard[1:], goodbye])
    assert await store.sightings("box-1", limit=3) == (goodbye, heard[3], heard[2])
    assert len(await store.sightings("box-1")) == 5
    assert await store.sightings("box-9") == ()


async def test_only_the_last_sightings_of_each_device_are_kept(store: Store) -> None:
    seen = [Sighting(device="box-1", at=NOON + timedelta(seconds=n), source="mdns") for n in range(SIGHTINGS_KEPT + 5)]
    other = Sighting(device="box-2", at=NOON, source="mdns")
    await store.add_sightings([other, *seen[:-1]])
    await store.add_sightings(seen[-1:])
    kept = await store.sightings("box-1", limit=10_000)
    assert kept == tuple(reversed(seen[-SIGHTINGS_KEPT:]))
    assert await store.sightings("box-2") == (other,)


async def test_a_change_comes_back_with_its_whole_plan(store: Store) -> None:
    await store.begin_change(a_change("ch-1"))
    back = await store.change("ch-1")
    assert back == a_change("ch-1")
    assert back is not None
    assert list(back.plan.devices[0].work) == list(a_plan().devices[0].work), "phases in the order of the plan"
    assert await store.change("ch-2") is None


async def test_saving_a_change_moves_it_and_leaves_its_plan_alone(store: Store) -> None:
    await store.begin_change(a_change("ch-1"))
    moved = replace(
        a_change("ch-1"),
        state=ChangeState.ROLLED_BACK,
        trial_until=NOON + timedelta(seconds=125),
        ended=NOON + timedelta(seconds=9),
        outcomes=(Outcome(device="box-0412", word="reverted", words="it is as it was"),),
        culprits={"box-0433": "did not answer"},
    )
    await store.save_change(replace(moved, plan=replace(a_plan(), devices=()), who="someone else", keep_within_s=1))
    assert await store.change("ch-1") == moved


async def test_a_change_that_was_never_begun_cannot_be_saved_or_journaled(store: Store) -> None:
    with pytest.raises(StoreTrouble, match="never begun"):
        await store.save_change(a_change("ch-1"))
    with pytest.raises(StoreTrouble, match="never begun"):
        await store.journal([an_entry("ch-1", 1)])


async def test_a_change_cannot_begin_twice(store: Store) -> None:
    await store.begin_change(a_change("ch-1"))
    with pytest.raises(StoreTrouble, match="contradicts what is stored"):
        await store.begin_change(a_change("ch-1"))


async def test_changes_are_listed_last_begun_first_and_unfinished_ones_first_begun_first(store: Store) -> None:
    for state in ChangeState:
        await store.begin_change(a_change(f"ch-{state.name.lower().replace('_', '-')}", state))
    listed = [c.state for c in await store.changes()]
    assert listed == list(ChangeState)[::-1]
    assert [c.state for c in await store.changes(limit=2)] == listed[:2]
    assert [c.state for c in await store.unfinished()] == [s for s in ChangeState if s not in ENDS]


@EXAMPLES
@given(entries=st.lists(st.tuples(TIME, TEXT, TEXT, TEXT), max_size=6), data=st.data())
async def test_any_journal_comes_back_by_number(store: Store, entries, data) -> None:
    change = f"ch-{len(await store.changes(limit=1000))}"
    await store.begin_change(a_change(change))
    written = [
        JournalEntry(change=change, number=n, at=at, what=what, device=device, detail=detail)
        for n, (at, what, device, detail) in enumerate(entries)
    ]
    first = data.draw(st.integers(0, len(written)))
    await store.journal(written[:first])
    await store.journal(written[first:])
    assert await store.entries(change) == tuple(written)


@pytest.mark.parametrize("number", [1, 2])
async def test_the_numbers_of_a_journal_rise(store: Store, number: int) -> None:
    await store.begin_change(a_change("ch-1"))
    await store.journal([an_entry("ch-1", 2)])
    with pytest.raises(StoreTrouble, match=f"entry {number} of change ch-1 comes after entry 3"):
        await store.journal([an_entry("ch-1", 3), an_entry("ch-1", number)])
    await store.journal([an_entry("ch-1", 7)])
    assert [entry.number for entry in await store.entries("ch-1")] == [2, 7]


async def test_a_snapshot_comes_back_and_its_seal_still_holds(store: Store) -> None:
    await store.save_snapshot(a_snapshot("sn-1"))
    back = await store.snapshot("sn-1")
    assert back == a_snapshot("sn-1")
    assert back is not None
    assert edge.digest(edge.plain(back.body)) == back.sha256
    assert await store.snapshot("sn-2") is None


async def test_snapshots_are_listed_last_first(store: Store) -> None:
    await store.save_snapshot(a_snapshot("sn-1"))
    await store.save_snapshot(a_snapshot("sn-2"))
    assert [entry.id for entry in await store.snapshots()] == ["sn-2", "sn-1"]
    (entry,) = await store.snapshots(limit=1)
    assert (entry.at, entry.sha256, entry.taken_by, entry.note, entry.devices) == (
        NOON,
        a_snapshot("sn-2").sha256,
        "ines",
        "before the fair",
        1,
    )


async def test_a_snapshot_is_never_replaced(store: Store) -> None:
    await store.save_snapshot(a_snapshot("sn-1"))
    with pytest.raises(StoreTrouble, match="contradicts what is stored"):
        await store.save_snapshot(replace(a_snapshot("sn-1"), sha256="00"))


async def test_a_time_without_a_zone_is_refused(store: Store) -> None:
    with pytest.raises(StoreTrouble, match="without a time zone"):
        await store.save_devices([replace(a_device(), last_seen=NOON.replace(tzinfo=None))])
    assert await store.devices() == ()
