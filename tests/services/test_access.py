"""Access tokens and sessions over the real store, with a clock that stands still until it is moved."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from fleet.errors import BadInput, FleetError, NotFound, Refused, StoreTrouble
from fleet.model.access import IDLE_AFTER, AccessSession, AccessToken
from fleet.services.access import Access, AskedToken
from fleet.services.access_sessions import MOST_OF_A_TOKEN, AccessSessions
from fleet.services.audit import Audit
from fleet.services.desired import Desired
from fleet.services.sign_in_attempts import MOST_KEPT, SignInAttempts, key_of_source
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, NOON, Ids, store_at

HERE, THERE = "192.0.2.7", "192.0.2.8"
OPERATOR = AskedToken(name="Ana", role="operator", rooms=["foyer"])


@dataclass
class Scene:
    """The services, and the time."""

    store: Store
    now: datetime = NOON

    def __post_init__(self) -> None:
        self.audit = Audit(self.store, self.clock)
        self.desired = Desired(self.store, self.clock)
        self.again()

    def clock(self) -> datetime:
        return self.now

    def again(self) -> None:
        """As after a restart of the daemon."""
        ids = Ids()
        self.access = Access(
            store=self.store,
            desired=self.desired,
            audit=self.audit,
            attempts=SignInAttempts(self.clock),
            clock=self.clock,
            new_id=lambda: ids("access"),
        )
        self.sessions = AccessSessions(self.store, self.access, self.clock)

    async def let_in(self, secret: str, source: str = HERE) -> bool:
        return (await self.access.check(secret, source)).token is not None

    async def results(self) -> list[str]:
        """Results of the sign-ins in the audit log, the first one first."""
        return [e.result for e in reversed(await self.audit.entries()) if e.what == "sign-in"]


@pytest.fixture
async def scene(tmp_path: Path) -> AsyncIterator[Scene]:
    async with store_at(tmp_path) as store:
        scene = Scene(store)
        await scene.desired.load(FILES, "ines")
        yield scene
        await scene.audit.settled()


async def test_a_token_opens_until_it_expires_and_what_is_kept_of_it_is_a_hash(scene: Scene) -> None:
    token, secret = await scene.access.make(OPERATOR, "ines")
    assert secret.startswith("fleet_")
    assert len(secret) >= 49, "32 random bytes"
    assert (token.made_by, token.expires - token.made_at) == ("ines", timedelta(days=365))
    kept = await scene.store.standing(AccessToken)
    assert secret.removeprefix("fleet_") not in repr(kept)
    scene.again()
    assert await scene.let_in(secret)
    scene.now = token.expires - timedelta(seconds=1)
    assert await scene.let_in(secret)
    scene.now = token.expires
    assert not await scene.let_in(secret)
    assert await scene.results() == ["refused: the token is expired"]


async def test_every_token_is_another(scene: Scene) -> None:
    made = [await scene.access.make(AskedToken(name=f"a{n}", role="auditor"), "ines") for n in range(20)]
    assert len({secret for _, secret in made}) == len({token.id for token, _ in made}) == 20
    assert [t.name for t in await scene.access.tokens()] == [f"a{n}" for n in range(20)]


async def test_the_log_tells_unknown_expired_and_revoked_apart_and_the_caller_is_not_told(scene: Scene) -> None:
    old, old_secret = await scene.access.make(AskedToken(name="Old", role="auditor", life=timedelta(days=1)), "ines")
    lost, lost_secret = await scene.access.make(AskedToken(name="Lost", role="integrator"), "ines")
    await scene.access.revoke(lost.id, "ines")
    scene.now += timedelta(days=2)
    answers = [await scene.access.check(secret, THERE) for secret in (old_secret, lost_secret, "fleet_nothing", "")]
    assert answers == [answers[0]] * 4
    await scene.audit.settled()
    entries = [e for e in reversed(await scene.audit.entries()) if e.what == "sign-in"]
    assert [(e.who, e.about, e.result) for e in entries] == [
        ("Old", old.id, "refused: the token is expired"),
        ("Lost", lost.id, "refused: the token is revoked"),
        ("nobody known", "", "refused: the token is unknown"),
        ("nobody known", "", "refused: the token is unknown"),
    ]
    assert {e.source for e in entries} == {THERE}


async def test_a_source_that_guesses_waits_twice_as_long_each_time_and_others_do_not(scene: Scene) -> None:
    _, secret = await scene.access.make(OPERATOR, "ines")
    waits = [(await scene.access.check(f"fleet_guess{number}", THERE)).wait for number in range(5)]
    assert waits == [timedelta(0)] * 5, "the fifth is refused for what it is"
    assert (await scene.access.check("fleet_guess", THERE)).wait == timedelta(seconds=15)
    waiting = await scene.access.check(secret, THERE)
    assert (waiting.token, waiting.wait) == (None, timedelta(seconds=15)), "not even the right one"
    assert await scene.let_in(secret, HERE)
    scene.now += timedelta(seconds=15)
    assert await scene.let_in(secret, THERE)
    assert not await scene.let_in("fleet_more", THERE)
    assert (await scene.access.check(secret, THERE)).wait == timedelta(seconds=30)
    results = await scene.results()
    assert results[4] == "refused: the token is unknown; it waits 15 s"
    assert len(results) == 6, "what is not looked at is not written down, too"


async def test_a_dead_token_waits_wherever_it_is_shown(scene: Scene) -> None:
    token, secret = await scene.access.make(OPERATOR, "ines")
    await scene.access.revoke(token.id, "ines")
    for number in range(5):
        assert (await scene.access.check(secret, f"192.0.2.{number}")).wait == timedelta(0)
    assert (await scene.access.check(secret, "192.0.2.99")).wait == timedelta(seconds=15)


def test_a_network_of_ipv6_is_one_source_and_a_mapped_address_is_its_own() -> None:
    assert key_of_source("2001:db8:1:2::7") == key_of_source("2001:db8:1:2:ffff::1%eth0")
    assert key_of_source("2001:db8:1:2::7") != key_of_source("2001:db8:1:3::7")
    assert key_of_source("::ffff:192.0.2.7") == key_of_source("192.0.2.7")
    assert key_of_source("unknown") == "source unknown"


def test_what_is_known_of_sources_does_not_grow_without_end() -> None:
    attempts = SignInAttempts(lambda: NOON)
    for number in range(MOST_KEPT + 50):
        attempts.failed(f"source {number}")
    assert len(attempts._kept) == MOST_KEPT


async def test_when_a_token_was_used_is_written_at_most_once_a_minute(scene: Scene) -> None:
    token, secret = await scene.access.make(OPERATOR, "ines")

    async def written() -> datetime | None:
        return (await scene.store.standing(AccessToken))[token.id].last_used

    assert await written() is None
    await scene.let_in(secret)
    assert await written() == NOON
    scene.now += timedelta(seconds=59)
    await scene.let_in(secret)
    assert await written() == NOON
    scene.now += timedelta(seconds=1)
    await scene.let_in(secret)
    assert await written() == scene.now


async def test_a_token_works_where_its_use_cannot_be_written_down(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, secret = await scene.access.make(OPERATOR, "ines")

    async def full(*_: Any) -> None:
        raise StoreTrouble("the disk is full")

    monkeypatch.setattr(scene.store, "save_standing", full)
    assert await scene.let_in(secret)


async def test_a_use_never_brings_a_revoked_token_back(scene: Scene) -> None:
    token, secret = await scene.access.make(OPERATOR, "ines")
    await asyncio.gather(scene.let_in(secret), scene.access.revoke(token.id, "ines"), scene.let_in(secret))
    assert not await scene.let_in(secret)
    assert (await scene.store.standing(AccessToken))[token.id].revoked_by == "ines"


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        (AskedToken(name="", role="auditor"), BadInput),
        (AskedToken(name="  ", role="auditor"), BadInput),
        (AskedToken(name="x" * 61, role="auditor"), BadInput),
        (AskedToken(name="Ana\u202e", role="auditor"), BadInput),
        (AskedToken(name="Ana\x00", role="auditor"), BadInput),
        (AskedToken(name="Ana", role="operator"), BadInput),
        (AskedToken(name="Ana", role="integrator", rooms=["foyer"]), BadInput),
        (AskedToken(name="Ana", role="operator", rooms=["cellar"]), NotFound),
        (AskedToken(name="Ana", role="auditor", life=timedelta(days=731)), BadInput),
        (AskedToken(name="Ana", role="auditor", life=timedelta(0)), BadInput),
    ],
)
async def test_a_token_that_nobody_should_have_is_not_made(
    scene: Scene, asked: AskedToken, error: type[FleetError]
) -> None:
    with pytest.raises(error):
        await scene.access.make(asked, "ines")
    assert await scene.access.tokens() == ()


async def test_two_who_would_be_the_same_in_the_journal_are_refused_even_at_once(scene: Scene) -> None:
    asked = AskedToken(name="ANA", role="auditor")
    outcomes = await asyncio.gather(
        *(scene.access.make(one, "ines") for one in (OPERATOR, asked, OPERATOR)), return_exceptions=True
    )
    assert [type(one).__name__ for one in outcomes].count("Refused") == 2
    (token,) = await scene.access.tokens()
    await scene.access.revoke(token.id, "ines")
    await scene.access.make(asked, "ines")


async def test_a_session_is_over_after_twelve_hours_without_use(scene: Scene) -> None:
    token, _ = await scene.access.make(OPERATOR, "ines")
    secret = await scene.sessions.begin(token, HERE)
    assert secret not in repr(await scene.store.standing(AccessSession))
    for _ in range(3):
        scene.now += IDLE_AFTER - timedelta(seconds=1)
        assert await scene.sessions.of(secret) is not None
    scene.again()
    assert await scene.sessions.of(secret) is not None, "a restart signs nobody out"
    scene.now += IDLE_AFTER
    assert await scene.sessions.of(secret) is None
    assert await scene.store.standing(AccessSession) == {}


async def test_a_session_is_over_with_its_token(scene: Scene) -> None:
    token, _ = await scene.access.make(AskedToken(name="Ana", role="auditor", life=timedelta(hours=2)), "ines")
    other, _ = await scene.access.make(AskedToken(name="Bo", role="auditor"), "ines")
    expiring, revoked = await scene.sessions.begin(token, HERE), await scene.sessions.begin(other, HERE)
    await scene.access.revoke(other.id, "ines")
    assert await scene.sessions.of(revoked) is None
    assert await scene.sessions.of(expiring) is not None
    scene.now += timedelta(hours=2)
    assert await scene.sessions.of(expiring) is None


async def test_a_token_has_so_many_sessions_and_the_idlest_goes(scene: Scene) -> None:
    token, _ = await scene.access.make(OPERATOR, "ines")
    secrets = []
    for _ in range(MOST_OF_A_TOKEN + 1):
        secrets.append(await scene.sessions.begin(token, HERE))
        scene.now += timedelta(seconds=1)
    alive = [await scene.sessions.of(secret) is not None for secret in secrets]
    assert alive == [False] + [True] * MOST_OF_A_TOKEN


async def test_a_session_that_ends_while_it_is_used_stays_ended(scene: Scene) -> None:
    token, _ = await scene.access.make(OPERATOR, "ines")
    for _ in range(10):
        secret = await scene.sessions.begin(token, HERE)
        scene.now += timedelta(minutes=2)
        await asyncio.gather(scene.sessions.of(secret), scene.sessions.end(secret), scene.sessions.of(secret))
        assert await scene.sessions.of(secret) is None
        assert await scene.store.standing(AccessSession) == {}


async def test_who_waits_for_a_session_to_be_over_is_told_at_once(scene: Scene) -> None:
    token, _ = await scene.access.make(OPERATOR, "ines")
    secret = await scene.sessions.begin(token, HERE)

    async def good() -> bool:
        return await scene.sessions.of(secret) is not None

    waiting = asyncio.create_task(scene.sessions.over(good))
    await asyncio.sleep(0.05)
    assert not waiting.done()
    await scene.access.revoke(token.id, "ines")
    async with asyncio.timeout(5):
        await waiting


async def test_a_token_that_is_not_there_cannot_be_revoked(scene: Scene) -> None:
    with pytest.raises(NotFound):
        await scene.access.revoke("access-99", "ines")
    assert not await scene.access.good()
    await scene.access.make(OPERATOR, "ines")
    assert await scene.access.good()
    with pytest.raises(Refused):
        await scene.access.make(OPERATOR, "ines")
