"""Earlier versions of the desired state: which was in force at a moment, the first one, page by page."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from fleet.store.protocol import Store

NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)


async def four_versions(store: Store) -> None:
    for number in range(4):
        files = {"venue.yaml": f"name: {number}"}
        await store.save_version(files, f"{number}" * 64, "ines", NOON + timedelta(days=number))


async def test_the_version_in_force_at_a_moment(store: Store) -> None:
    await four_versions(store)
    moments = [NOON, NOON + timedelta(hours=23), NOON + timedelta(days=1), NOON + timedelta(days=90)]
    found = [await store.version_at(moment) for moment in moments]
    assert [v.files["venue.yaml"] for v in found if v is not None] == ["name: 0", "name: 0", "name: 1", "name: 3"]
    assert await store.version_at(NOON - timedelta(microseconds=1)) is None


async def test_the_first_version(store: Store) -> None:
    assert await store.first_version() is None
    await four_versions(store)
    first = await store.first_version()
    assert first is not None
    assert (first.files["venue.yaml"], first.at) == ("name: 0", NOON)


async def test_versions_are_read_on_from_where_one_stopped(store: Store) -> None:
    await four_versions(store)
    newest = await store.versions(2)
    older = await store.versions(2, below=newest[-1].number)
    assert [v.files["venue.yaml"] for v in (*newest, *older)] == ["name: 3", "name: 2", "name: 1", "name: 0"]
    assert await store.versions(2, below=older[-1].number) == ()
