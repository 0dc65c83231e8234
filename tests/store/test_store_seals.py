"""A change or a journal that is not what was written is found, named, and keeps nothing else from being read."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from alembic import command
from alembic.config import Config
from store_samples import NOON, a_change, an_entry

from fleet.errors import StoreTrouble
from fleet.model import edge
from fleet.model.change import ChangeState, Outcome
from fleet.store.database import Database
from fleet.store.migrate import SCRIPTS
from fleet.store.protocol import Store
from fleet.store.sql import open_store

DAMAGE_OF_CHANGE = {
    "a member of its plan": ("UPDATE changes SET plan = {altered} WHERE id = 'ch-2'", "its plan is not what"),
    "who": ("UPDATE changes SET who = 'inex' WHERE id = 'ch-2'", "its plan is not what was written"),
    "the trial": ("UPDATE changes SET keep_within_s = 121 WHERE id = 'ch-2'", "its plan is not what was written"),
    "the state": ("UPDATE changes SET state = 'staging' WHERE id = 'ch-2'", "its state is not what was written"),
    "an end": ("UPDATE changes SET state = 'kept' WHERE id = 'ch-2'", "its state is not what was written"),
    "the end of the trial": ("UPDATE changes SET trial_until = started WHERE id = 'ch-2'", "its state is not what"),
    "an outcome": ("UPDATE changes SET outcomes = '[]' WHERE id = 'ch-2'", "its state is not what was written"),
    "a seal": ("UPDATE seals SET standing = begun WHERE change = 'ch-2'", "its state is not what was written"),
    "the seals": ("DELETE FROM seals WHERE change = 'ch-2'", "its seals are missing"),
}
DAMAGE_OF_JOURNAL = {
    "a word": ("UPDATE journal SET what = 'stagee' WHERE change = 'ch-2' AND number = 3", "at entry 3"),
    "a time": ("UPDATE journal SET at = '2031-05-17 12:00:00.123457' WHERE change = 'ch-2' AND number = 1", "entry 1"),
    "a number": ("UPDATE journal SET number = 9 WHERE change = 'ch-2' AND number = 5", "at entry 9"),
    "a seal": ("UPDATE journal SET seal = '' WHERE change = 'ch-2' AND number = 2", "at entry 2"),
    "one of another change": (
        "UPDATE journal SET change = 'ch-1', number = 9 WHERE change = 'ch-2' AND number = 5",
        "early",
    ),
    "one in the middle": ("DELETE FROM journal WHERE change = 'ch-2' AND number = 3", "at entry 4"),
    "the first": ("DELETE FROM journal WHERE change = 'ch-2' AND number = 1", "at entry 2"),
    "the last": ("DELETE FROM journal WHERE change = 'ch-2' AND number = 5", "ends too early, after entry 4"),
    "all": ("DELETE FROM journal WHERE change = 'ch-2'", "its journal is missing"),
    "one added": (
        "INSERT INTO journal SELECT change, 6, at, what, device, detail, seal FROM journal"
        " WHERE change = 'ch-2' AND number = 5",
        "at entry 6",
    ),
}


@pytest.fixture
async def written(store: Store) -> Store:
    """Three changes that have not ended, each with a journal of five entries."""
    for n in (1, 2, 3):
        await store.begin_change(a_change(f"ch-{n}"))
        await store.save_change(moved(f"ch-{n}"))
        for number in range(1, 6):
            await store.journal([an_entry(f"ch-{n}", number)])
    return store


def moved(change: str):
    """A change on trial."""
    return replace(
        a_change(change),
        state=ChangeState.ON_TRIAL,
        trial_until=NOON + timedelta(seconds=125),
        outcomes=(Outcome(device="box-0412", word="on trial"),),
    )


async def test_what_is_sound_is_handed_out(written: Store) -> None:
    assert await written.damaged() == ()
    assert [change.id for change in await written.unfinished()] == ["ch-1", "ch-2", "ch-3"]


@pytest.mark.parametrize("case", DAMAGE_OF_CHANGE)
async def test_a_damaged_change_is_named_and_the_others_are_handed_out(written: Store, behind, case: str) -> None:
    statement, words = DAMAGE_OF_CHANGE[case]
    plan = edge.plain(a_change("ch-2"))["plan"]
    plan["devices"][0]["before"]["live"]["outputs"]["1"]["level_db"] = -6.4
    await behind(statement.replace("{altered}", f"'{json.dumps(plan)}'"))
    with pytest.raises(StoreTrouble, match=f"change ch-2 is damaged: {words}.*restore the database from a backup"):
        await written.change("ch-2")
    assert [record.id for record in await written.changes()] == ["ch-3", "ch-1"]
    assert await written.unfinished() == (moved("ch-1"), moved("ch-3"))
    (told,) = await written.damaged()
    assert f"change ch-2 is damaged: {words}" in told


@pytest.mark.parametrize("case", DAMAGE_OF_JOURNAL)
async def test_a_damaged_journal_is_named_and_the_others_are_handed_out(written: Store, behind, case: str) -> None:
    statement, words = DAMAGE_OF_JOURNAL[case]
    await behind(statement)
    with pytest.raises(StoreTrouble, match=f"change ch-2 is damaged: .*{words}"):
        await written.entries("ch-2")
    assert [entry.number for entry in await written.entries("ch-3")] == [1, 2, 3, 4, 5]
    assert moved("ch-3") in await written.unfinished()
    assert moved("ch-2") not in await written.unfinished()
    assert any("change ch-2 is damaged: " in told and words in told for told in await written.damaged())


async def test_a_change_that_is_missing_is_not_taken_for_one_that_never_was(written: Store, behind, url: str) -> None:
    if url.startswith("postgresql"):
        await behind("ALTER TABLE seals DROP CONSTRAINT fk_seals_change")
        await behind("ALTER TABLE journal DROP CONSTRAINT fk_journal_change")
    await behind("DELETE FROM changes WHERE id = 'ch-2'")
    for call in (written.change, written.entries):
        assert not await call("ch-9")
    with pytest.raises(StoreTrouble, match="change ch-2 is damaged: a part of it is missing"):
        await written.change("ch-2")
    (told,) = await written.damaged()
    assert "change ch-2 is damaged: it is missing" in told


async def test_a_change_that_has_ended_is_held_against_its_seals_when_it_is_read(written: Store, behind) -> None:
    await written.save_change(replace(moved("ch-2"), state=ChangeState.KEPT, trial_until=None, ended=NOON))
    await behind("UPDATE changes SET who = 'jo' WHERE id = 'ch-2'")
    assert await written.damaged() == ()
    with pytest.raises(StoreTrouble, match="its plan is not what was written"):
        await written.change("ch-2")


async def test_writing_on_keeps_the_damage_in_sight(written: Store, behind) -> None:
    await behind("UPDATE journal SET detail = '' WHERE change = 'ch-2' AND number = 3")
    await written.journal([an_entry("ch-2", 6)])
    await written.save_change(replace(moved("ch-2"), state=ChangeState.ROLLED_BACK, ended=NOON))
    with pytest.raises(StoreTrouble, match="at entry 3"):
        await written.entries("ch-2")


async def test_a_journal_ahead_of_its_change_is_sound(url: str) -> None:
    """Entries are written before the change is saved; a daemon may be killed between the two."""
    async with open_store(url) as store:
        await store.begin_change(a_change("ch-1"))
        await store.journal([an_entry("ch-1", 1), an_entry("ch-1", 2)])
    async with open_store(url) as store:
        assert await store.damaged() == ()
        assert await store.unfinished() == (a_change("ch-1"),)


async def test_a_database_of_the_first_release_is_taken_as_it_is_found_and_sealed(url: str, behind) -> None:
    database = Database(url)
    async with database.writing() as connection:
        await connection.run_sync(_first_release)
    await database.close()
    plan = json.dumps(edge.plain(a_change("ch-1"))["plan"]).replace("'", "''")
    zone = "" if url.startswith("sqlite") else "+00"
    for n, (state, ended) in enumerate([("staging", "NULL"), ("kept", f"'2031-05-17 12:01:00.000000{zone}'")], 1):
        at = f"'2031-05-17 12:00:00.123456{zone}'"
        await behind(
            f"INSERT INTO changes VALUES ({n}, 'ch-{n}', '{plan}', 'ines', 'after the swap', {at}, '{state}', {ended},"
            " '[]', '{}')"
        )
        for number in (1, 2):
            await behind(f"INSERT INTO journal VALUES ('ch-{n}', {number}, {at}, 'staged', 'box-0412', 'phase set')")
    async with open_store(url) as store:
        assert await store.damaged() == ()
        first = replace(a_change("ch-1"), keep_within_s=None, state=ChangeState.STAGING)
        second = replace(first, id="ch-2", state=ChangeState.KEPT, ended=NOON.replace(minute=1, microsecond=0))
        assert await store.changes() == (second, first)
        assert await store.unfinished() == (first,)
        await store.journal([an_entry("ch-1", 3)])
        assert await store.entries("ch-1") == tuple(an_entry("ch-1", n) for n in (1, 2, 3))
        await behind("UPDATE journal SET what = 'x' WHERE change = 'ch-1' AND number = 1")
        with pytest.raises(StoreTrouble, match="at entry 1"):
            await store.entries("ch-1")


def _first_release(connection) -> None:
    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(SCRIPTS))
    command.upgrade(config, "0001")
