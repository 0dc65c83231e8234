"""The audit log: chained, only ever added to, and whatever was done to it is named by the first wrong entry."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.drivers.memory import MemoryDriver
from fleet.errors import StoreTrouble
from fleet.model.audit import BEGINNING, Act, AuditEntry, AuditHead, Chain, Kept, entry_after, entry_sha256
from fleet.model.canonical import canonical
from fleet.reconcile.scope import Scope
from fleet.services.audit import Audit
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import NOON, begun, ended

Log = list[AuditEntry]


def act(number: int, **other: str) -> Act:
    members = {"who": "ines", "role": "integrator", "what": f"act {number}", "source": "here", "result": "done"}
    return Act(**(members | other))


def a_log(length: int = 6) -> Log:
    head, entries = AuditHead(), Log()
    for number in range(length):
        entries.append(entry_after(head, NOON + timedelta(seconds=number), act(number)))
        head = AuditHead(length=entries[-1].number, sha256=entries[-1].sha256)
    return entries


def fault(entries: Log, *kept: Kept) -> str:
    chain = Chain(kept=kept)
    all(chain.take(entry) for entry in entries)
    chain.end()
    return chain.fault


def rewritten(entries: Log, at: int) -> Log:
    """From one entry on the log is made anew, with right hashes."""
    head = AuditHead(length=at, sha256=entries[at - 1].sha256 if at else BEGINNING)
    anew = Log()
    for entry in entries[at:]:
        anew.append(entry_after(head, entry.at, act(99)))
        head = AuditHead(length=anew[-1].number, sha256=anew[-1].sha256)
    return [*entries[:at], *anew]


def test_a_whole_log_is_right_and_its_first_entry_follows_nothing() -> None:
    log = a_log()
    assert fault(log) == fault([]) == ""
    assert log[0].previous == BEGINNING
    assert fault(log, Kept(length=6, sha256=log[-1].sha256, whose="it")) == ""


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda log: [*log[:2], replace(log[2], result="refused"), *log[3:]], "entry 3 was altered"),
        (lambda log: [*log[:2], *log[3:]], "entry 3 is missing"),
        (lambda log: log[3:], "entries 1 to 3 are missing"),
        (lambda log: [*log[:2], log[3], log[2], *log[4:]], "entry 3 is missing"),
        (lambda log: [*log[:3], log[2], *log[3:]], "entry 3 stands after entry 3"),
        (lambda log: [*log[:2], *rewritten(log, 2)[2:3], *log[3:]], "entry 4 does not follow the one before it"),
        (lambda log: [replace(log[0], number=2), *log[1:]], "entry 1 is missing"),
    ],
)
def test_the_first_wrong_entry_is_named(change: Callable[[Log], Log], told: str) -> None:
    assert fault(change(a_log())).startswith(told)


def test_a_cut_at_the_end_and_a_log_made_anew_show_against_a_head_that_somebody_kept() -> None:
    log = a_log()
    kept = Kept(length=6, sha256=log[-1].sha256, whose="autumn.json")
    assert fault(log[:4]) == fault(rewritten(log, 2)) == "", "by itself neither can show"
    assert fault(log[:4], kept) == "the log ends after entry 4, and autumn.json knew 6: it was cut short"
    assert fault([], kept).startswith("the log ends after entry 0")
    assert "entry 6 is not the one that autumn.json knew" in fault(rewritten(log, 2), kept)


@given(st.sampled_from(["who", "role", "what", "about", "why", "source", "result", "previous"]), st.text())
def test_every_member_counts(name: str, text: str) -> None:
    entry = a_log(1)[0]
    altered = replace(entry, **{name: text})
    assert (entry_sha256(altered) == entry.sha256) == (altered == entry)
    east = timezone(timedelta(hours=2))
    assert entry_sha256(replace(entry, at=entry.at.astimezone(east))) == entry.sha256, "a moment, not its zone"


async def test_what_is_recorded_at_once_stands_one_after_another(store: Store) -> None:
    audit = Audit(store, lambda: NOON)
    await asyncio.gather(*(audit.record(act(n)) for n in range(30)))
    for n in range(30, 40):
        audit.note(act(n))
    head = await audit.head()
    assert head.length == 40
    found = await audit.verify([Kept(length=40, sha256=head.sha256, whose="this test")])
    assert (found.fault, found.head) == ("", head)
    newest = await audit.entries(5)
    assert [e.number for e in newest] == [40, 39, 38, 37, 36]
    assert [e.number for e in await audit.entries(2, before=36)] == [35, 34]
    assert await audit.entries(who="sam") == ()
    assert await audit.entries(since=NOON + timedelta(seconds=1)) == ()


async def test_hostile_text_is_bounded_and_on_one_line(store: Store) -> None:
    audit = Audit(store, lambda: NOON)
    await audit.record(act(1, who="\u202e<script>\n\0" + "x" * 10_000, why="\ud800"))
    (entry,) = await audit.entries()
    assert entry.who.startswith("?<script>??x")
    assert len(entry.who) == 500
    assert (await audit.verify()).fault == ""


async def test_the_database_itself_refuses_to_alter_or_remove_an_entry(store: Store, tmp_path: Path) -> None:
    audit = Audit(store, lambda: NOON)
    for n in range(3):
        await audit.record(act(n))
    with sqlite3.connect(tmp_path / "fleet.db") as database:
        for statement in ("UPDATE audit SET who = 'x'", "DELETE FROM audit"):
            with pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
                database.execute(statement)
        database.execute("DROP TRIGGER audit_no_update")
        database.execute("UPDATE audit SET who = 'x' WHERE number = 2")
        database.commit()
    assert (await audit.verify()).fault == "entry 2 was altered", "who gets round that is found"


class Full:
    """A store whose disk is full until it is not."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.full = True

    async def add_to_audit(self, acts: object) -> None:
        if self.full:
            raise StoreTrouble("no space left")
        await self.store.add_to_audit(acts)  # type: ignore[arg-type]


async def test_what_could_not_be_written_down_is_told_once_that_works_again(store: Store) -> None:
    full = Full(store)
    audit = Audit(full, lambda: NOON)  # type: ignore[arg-type]
    await audit.record(act(1))
    await audit.record(act(2))
    full.full = False
    await audit.record(act(3))
    entries = await store.audit()
    assert [(e.what, e.result) for e in entries] == [
        ("act 3", "done"),
        ("acts that could not be written down", "failed: 2 missing before this entry"),
    ]


async def test_how_every_change_ends_is_written_down_whoever_began_it(services: Services, driver: MemoryDriver) -> None:
    record = await begun(services, Asked(kind="apply", scope=Scope(rooms=("weir-hall",), group="mains")))
    await ended(services, record.id)
    plan = await services.changes.plan(Asked(kind="rollback", change=record.id))
    back = await services.changes.begin(plan, who="self-repair", why="drift", allow=("rise", "half-room"))
    await ended(services, back.id)
    entries = await services.audit.entries()
    assert [(e.who, e.role, e.source, e.about, e.result) for e in entries] == [
        ("self-repair", "daemon", "daemon", back.id, "done: kept"),
        ("ines", "daemon", "daemon", record.id, "done: kept"),
    ]
    assert entries[0].why == "drift"


def test_canonical_json_of_an_entry_does_not_depend_on_the_order_of_members() -> None:
    assert canonical({"b": 1, "a": 2}) == canonical({"a": 2, "b": 1}) == b'{"a":2,"b":1}'
