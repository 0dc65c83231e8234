"""Who is signed in: told to integrators and auditors, and signed out everywhere by an integrator."""

from __future__ import annotations

from collections.abc import AsyncIterator
from datetime import timedelta
from pathlib import Path

import pytest

from fleet.model.access import sha256_of_secret
from tests.faces.access_scene import Venue, a_venue


@pytest.fixture
async def venue(tmp_path: Path) -> AsyncIterator[Venue]:
    async with a_venue(tmp_path) as venue:
        yield venue


async def test_every_browser_that_is_signed_in_is_listed_and_ones_own_is_marked(venue: Venue) -> None:
    tablet = await venue.signed_in("operator", "Foyer tablet", source="192.0.2.9")
    venue.now += timedelta(minutes=5)
    ana = await venue.signed_in("integrator", "Ana", source="192.0.2.1")
    answer = await ana.get("/v1/sessions")
    assert answer.json()["format"] == "fleet-sessions/1"
    first, second = answer.json()["sessions"]
    assert (first["name"], first["role"], first["source"], first["yours"]) == ("Ana", "integrator", "192.0.2.1", True)
    assert (second["name"], second["yours"]) == ("Foyer tablet", False)
    assert (second["began"], second["last_used"]) == ("2031-05-17T12:00:00Z", "2031-05-17T12:00:00Z")
    assert second["idle_ends_at"] == "2031-05-18T00:00:00Z"
    cookies = [one.client.cookies["fleet_session"] for one in (tablet, ana)]
    for secret in (*cookies, *map(sha256_of_secret, cookies)):
        assert secret not in answer.text, "nothing that a session could be known by leaves the daemon"


async def test_who_was_idle_or_whose_token_is_no_good_any_more_is_not_listed(venue: Venue) -> None:
    await venue.signed_in("auditor", "Idle")
    venue.now += timedelta(hours=11)
    await venue.signed_in("auditor", "Revoked")
    ana = await venue.signed_in("integrator", "Ana")
    await venue.services.access.revoke(await venue.token_id("Revoked"), "ines")
    venue.now += timedelta(hours=1)
    assert [one["name"] for one in (await ana.get("/v1/sessions")).json()["sessions"]] == ["Ana"]


async def test_an_integrator_signs_somebody_out_everywhere_and_their_token_stays_good(venue: Venue) -> None:
    phone, tablet = [await venue.signed_in("operator", "Otto", source=f"192.0.2.{n}") for n in (4, 5)]
    other = await venue.signed_in("operator", "Another")
    ana = await venue.signed_in("integrator", "Ana")
    token = await venue.token_id("Otto")
    answer = await ana.post(f"/v1/access/{token}/sign-out")
    assert answer.json() == {"format": "fleet-sessions-ended/1", "ended": 2}
    assert [(await one.get("/v1/rooms")).status_code for one in (phone, tablet, other, ana)] == [401, 401, 200, 200]
    assert (await (await venue.signed_in("operator", "Otto")).get("/v1/rooms")).status_code == 200
    await venue.services.audit.settled()
    (entry,) = [e for e in await venue.services.audit.entries() if "sign-out" in e.what]
    assert (entry.who, entry.about, entry.result) == ("Ana", token, "done")
    assert (await ana.post("/v1/access/access-nobody/sign-out")).status_code == 404


async def test_an_integrator_signs_everybody_else_out(venue: Venue) -> None:
    others = [await venue.signed_in("operator", "Otto"), await venue.signed_in("integrator", "Ana")]
    ana = await venue.signed_in("integrator", "Ana")
    assert (await ana.post("/v1/sessions/end")).json()["ended"] == 2
    assert [(await one.get("/v1/rooms")).status_code for one in (*others, ana)] == [401, 401, 200]


async def test_a_program_signs_every_browser_out(venue: Venue) -> None:
    browser = await venue.signed_in("integrator", "Ana")
    async with await venue.bearer("integrator") as program:
        assert (await program.post("/v1/sessions/end", json={})).json()["ended"] == 1
        assert (await program.get("/v1/sessions")).json()["sessions"] == []
    assert (await browser.get("/v1/rooms")).status_code == 401


async def test_what_was_ended_stays_ended_when_the_daemon_starts_anew(venue: Venue) -> None:
    await venue.signed_in("operator", "Otto")
    ana = await venue.signed_in("integrator", "Ana")
    await ana.post("/v1/sessions/end")
    from fleet.model.access import AccessSession

    assert len(dict(await venue.services.store.standing(AccessSession))) == 1
