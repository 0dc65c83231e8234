"""The audit log in either database: entries are only ever added, and the database itself refuses anything else."""

from __future__ import annotations

import aiosqlite
import asyncpg
import pytest
from store_samples import NOON

from fleet.model.audit import Act, Chain
from fleet.store.protocol import Store

DOINGS = {
    "altered": "UPDATE audit SET who = 'x' WHERE number = 2",
    "altered without a difference": "UPDATE audit SET who = who",
    "removed": "DELETE FROM audit WHERE number = 3",
    "emptied": "DELETE FROM audit",
    "written over": "INSERT INTO audit SELECT * FROM audit WHERE number = 2"
    " ON CONFLICT (number) DO UPDATE SET who = 'x'",
}
OF_SQLITE = {"replaced": "REPLACE INTO audit SELECT * FROM audit WHERE number = 2"}
OF_POSTGRESQL = {
    "truncated": "TRUNCATE audit",
    "truncated with others": "TRUNCATE audit, notices",
    "truncated in a row": "TRUNCATE audit RESTART IDENTITY CASCADE",
}
REFUSED = "the audit log is only ever added to"


@pytest.fixture
async def logged(store: Store) -> Store:
    """Three entries."""
    for number in range(1, 4):
        act = Act(who="ines", role="integrator", what=f"act {number}", source="here", result="done")
        await store.add_to_audit([(NOON, act)])
    return store


async def whole(store: Store) -> int:
    """How many entries there are, each as it was written."""
    chain = Chain()
    assert all(chain.take(entry) for entry in await store.audit_above(0, 100))
    chain.end()
    assert chain.fault == ""
    return chain.length


async def test_nothing_but_adding_is_let_through(logged: Store, behind, url: str) -> None:
    of_its_own = OF_SQLITE if url.startswith("sqlite") else OF_POSTGRESQL
    for doing, statement in {**DOINGS, **of_its_own}.items():
        with pytest.raises((aiosqlite.Error, asyncpg.PostgresError), match=REFUSED):
            await behind(statement)
        assert await whole(logged) == 3, doing
    act = Act(who="ines", role="integrator", what="more", source="here", result="done")
    await logged.add_to_audit([(NOON, act)])
    assert await whole(logged) == 4
