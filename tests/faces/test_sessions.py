"""Signing in at the page: the cookie, what protects it, and how a session ends."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import timedelta
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.faces.access_scene import HOME_TOKEN, ORIGIN, OWN, Venue, a_venue
from tests.services.small_venue import FILES


@pytest.fixture
async def venue(tmp_path: Path) -> AsyncIterator[Venue]:
    async with a_venue(tmp_path) as venue:
        yield venue


async def entries(venue: Venue, what: str) -> list[tuple[str, str, str, str]]:
    await venue.services.audit.settled()
    found = reversed(await venue.services.audit.entries(200))
    return [(e.who, e.role, e.source, e.result) for e in found if e.what == what]


async def sign_in(client: httpx.AsyncClient, token: Any, **headers: str) -> httpx.Response:
    return await client.post("/v1/session", json={"token": token}, headers=headers)


async def test_a_browser_signs_in_asks_who_it_is_and_signs_out(venue: Venue) -> None:
    secret = await venue.secret("operator", "Foyer tablet")
    async with venue.client() as client:
        assert (await client.get("/v1/session")).status_code == 401
        answer = await sign_in(client, secret, Origin=ORIGIN)
        cookie = SimpleCookie(answer.headers["set-cookie"])["fleet_session"]
        assert (cookie["httponly"], cookie["samesite"].lower(), cookie["path"]) == (True, "strict", "/")
        assert (cookie["secure"], cookie["domain"], cookie["max-age"], cookie["expires"]) == ("", "", "", "")
        session = (await client.get("/v1/session")).json()
        assert session == answer.json()
        assert {name: session[name] for name in ("name", "role", "rooms", "by", "kind", "venue")} == {
            "name": "Foyer tablet",
            "role": "operator",
            "rooms": [OWN],
            "by": "session",
            "kind": "token",
            "venue": "Harbour House",
        }
        assert session["format"] == "fleet-session/1"
        assert len(session["csrf"]) == 64
        assert (session["expires_at"], session["idle_ends_at"]) == ("2032-05-16T12:00:00Z", "2031-05-18T00:00:00Z")
        held = client.cookies["fleet_session"]
        headers = {"Fleet-CSRF": session["csrf"], "Origin": ORIGIN}
        assert (await client.delete("/v1/session", headers=headers)).json() == {"format": "fleet-session-end/1"}
        assert "fleet_session" not in client.cookies, "the browser is told to forget it"
        client.cookies.set("fleet_session", held)
        assert (await client.get("/v1/rooms")).status_code == 401, "and it opens nothing for who kept it"
    assert await entries(venue, "POST /v1/session") == [
        ("Foyer tablet", "operator", "192.0.2.7 (session)", "done"),
    ]
    assert await entries(venue, "DELETE /v1/session") == [
        ("Foyer tablet", "operator", "192.0.2.7 (session)", "done"),
    ]


async def test_over_tls_the_cookie_is_secure(venue: Venue) -> None:
    async with venue.client(base="https://127.0.0.1") as client:
        answer = await sign_in(client, await venue.secret("auditor"), Origin="https://127.0.0.1")
        assert SimpleCookie(answer.headers["set-cookie"])["fleet_session"]["secure"] is True


async def test_who_signs_in_with_what_opens_nothing_is_not_told_why_and_waits_after_five(venue: Venue) -> None:
    revoked = await venue.secret("auditor", "Revoked")
    await venue.services.access.revoke(await venue.token_id("Revoked"), "ines")
    async with venue.client("192.0.2.50") as client:
        answers = [await sign_in(client, token) for token in (revoked, "fleet_x", HOME_TOKEN, "y", "z")]
        assert [a.status_code for a in answers] == [401] * 5
        assert len({a.text for a in answers}) == 1
        assert all("set-cookie" not in a.headers for a in answers)
        waiting = await sign_in(client, await venue.secret("auditor"))
        assert (waiting.status_code, waiting.headers["retry-after"]) == (429, "15")
        bearer = {"Authorization": f"Bearer {await venue.secret('auditor')}"}
        assert (await client.get("/v1/rooms", headers=bearer)).status_code == 429
        home = {"Authorization": f"Bearer {HOME_TOKEN}"}
        assert (await client.get("/v1/rooms", headers=home)).status_code == 200, "its owner is never locked out"
        venue.now += timedelta(seconds=15)
        assert (await sign_in(client, await venue.secret("auditor"))).status_code == 200
    async with venue.client("192.0.2.51") as other:
        assert (await sign_in(other, await venue.secret("auditor"))).status_code == 200
    results = [result for _, _, source, result in await entries(venue, "sign-in") if source == "192.0.2.50"]
    assert results[0] == "refused: the token is revoked"
    assert results[1:] == ["refused: the token is unknown"] * 3 + ["refused: the token is unknown; it waits 15 s"]


@pytest.mark.parametrize("token", ["", None, 7, ["x"], {"a": 1}, "x" * 300])
async def test_what_is_no_token_at_all_is_refused_without_being_repeated(venue: Venue, token: Any) -> None:
    async with venue.client() as client:
        answer = await sign_in(client, token)
        assert answer.status_code == 422
        assert "xxx" not in answer.text


async def test_an_expired_token_opens_nothing_and_ends_its_sessions(venue: Venue) -> None:
    browser = await venue.signed_in("auditor", "Ana")
    token = next(t for t in await venue.services.access.tokens() if t.name == "Ana")
    venue.now = token.expires - timedelta(minutes=1)
    async with venue.client() as client:
        assert (await sign_in(client, await venue.secret("auditor", "Ana"))).status_code == 200
        venue.now = token.expires
        assert (await client.get("/v1/rooms")).status_code == 401
        assert (await sign_in(client, await venue.secret("auditor", "Ana"))).status_code == 401
    assert (await browser.get("/v1/rooms")).status_code == 401


async def test_a_session_ends_after_twelve_hours_without_a_request(venue: Venue) -> None:
    browser = await venue.signed_in("operator")
    venue.now += timedelta(hours=11, minutes=59)
    assert (await browser.get("/v1/rooms")).status_code == 200
    venue.now += timedelta(hours=12)
    answer = await browser.get("/v1/rooms")
    assert answer.status_code == 401
    assert 'fleet_session=""' in answer.headers["set-cookie"]
    assert "Max-Age=0" in answer.headers["set-cookie"]


async def test_a_revoked_token_signs_everybody_out_at_once_and_nobody_else(venue: Venue) -> None:
    first = await venue.signed_in("operator", "Tablet")
    second = await venue.signed_in("operator", "Tablet", "192.0.2.8")
    other = await venue.signed_in("auditor", "Ana")
    boss = await venue.signed_in("integrator", "Boss")
    answer = await boss.post(f"/v1/access/{await venue.token_id('Tablet')}/revoke")
    assert (answer.status_code, answer.json()["revoked_by"]) == (200, "Boss")
    assert [(await b.get("/v1/rooms")).status_code for b in (first, second, other, boss)] == [401, 401, 200, 200]
    (revoked,) = await entries(venue, "POST /v1/access/{token}/revoke")
    assert revoked == ("Boss", "integrator", "192.0.2.7 (session)", "done")


async def changing(venue: Venue, browser: Any, headers: dict[str, str]) -> int:
    answer: httpx.Response = await browser.client.post(
        "/v1/plans", json={"kind": "recall", "room": OWN}, headers=headers
    )
    return answer.status_code


async def test_what_changes_something_needs_the_sessions_own_csrf_token_and_our_own_page(venue: Venue) -> None:
    mine, another = await venue.signed_in("operator", "A"), await venue.signed_in("operator", "B")
    again = await venue.signed_in("operator", "A")
    assert len({b.session["csrf"] for b in (mine, another, again)}) == 3
    csrf = {"Fleet-CSRF": mine.session["csrf"]}
    for headers, wanted in [
        ({**csrf, "Origin": ORIGIN}, 200),
        ({**csrf, "Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"}, 200),
        ({**csrf, "Sec-Fetch-Site": "same-origin"}, 200),
        ({"Origin": ORIGIN}, 403),
        ({"Fleet-CSRF": "", "Origin": ORIGIN}, 403),
        ({"Fleet-CSRF": "é", "Origin": ORIGIN}, 403),
        ({"Fleet-CSRF": another.session["csrf"], "Origin": ORIGIN}, 403),
        ({"Fleet-CSRF": again.session["csrf"], "Origin": ORIGIN}, 403),
        (csrf, 403),
        ({**csrf, "Origin": "null"}, 403),
        ({**csrf, "Origin": "http://evil.example"}, 403),
        ({**csrf, "Origin": "http://127.0.0.1:8080"}, 403),
        ({**csrf, "Origin": "http://127.0.0.1.evil.example"}, 403),
        ({**csrf, "Origin": ORIGIN, "Sec-Fetch-Site": "cross-site"}, 403),
        ({**csrf, "Sec-Fetch-Site": "same-site"}, 403),
        ({**csrf, "Sec-Fetch-Site": "none"}, 403),
        ({**csrf, "Referer": ORIGIN}, 403),
    ]:
        encoded = {name: value.encode("latin-1") for name, value in headers.items()}
        assert await changing(venue, mine, encoded) == wanted, headers  # type: ignore[arg-type]  # as httpx takes them
    assert (await mine.client.delete("/v1/session", headers={"Origin": ORIGIN})).status_code == 403


async def test_another_page_can_sign_nobody_in(venue: Venue) -> None:
    async with venue.client() as client:
        token = await venue.secret("auditor")
        assert (await sign_in(client, token, Origin="http://evil.example")).status_code == 403
        assert (await sign_in(client, token, **{"Sec-Fetch-Site": "cross-site"})).status_code == 403
        form = await client.post("/v1/session", data={"token": token}, headers={"Origin": ORIGIN})
        assert form.status_code == 422, "a form of another page is no JSON"


async def test_no_other_site_may_read_us(venue: Venue) -> None:
    browser = await venue.signed_in("auditor")
    asked = {"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"}
    for answer in (
        await browser.client.get("/v1/rooms", headers=asked),
        await browser.client.options("/v1/rooms", headers=asked),
    ):
        assert not [name for name in answer.headers if name.startswith("access-control")]


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("127.0.0.1:8443", 200),
        ("localhost:1", 200),
        ("LOCALHOST.", 200),
        ("[::1]:80", 200),
        ("evil.example", 421),
        ("evil.example:80", 421),
        ("127.0.0.1.evil.example", 421),
        ("127.0.0.1@evil.example", 421),
        ("localhost:80@evil.example", 421),
        ("192.0.2.1", 421),
        ("", 421),
        ("[::1", 421),
        ("[::1]x", 421),
    ],
)
async def test_a_name_that_leads_here_and_is_not_ours_is_answered_nothing(venue: Venue, host: str, status: int) -> None:
    async with venue.client(Authorization=f"Bearer {HOME_TOKEN}") as client:
        answer = await client.get("/v1/rooms", headers={"Host": host})
        assert answer.status_code == status
        page = await client.get("/", headers={"Host": host})
        assert page.status_code == status
        assert "weir" not in page.text


async def test_the_address_that_was_called_is_a_name_of_ours(venue: Venue) -> None:
    async with venue.client(base="http://192.0.2.1") as client:
        answer = await client.get("/v1/rooms", headers={"Authorization": f"Bearer {HOME_TOKEN}"})
        assert answer.status_code == 200


async def test_every_answer_has_the_headers_that_keep_browsers_on_our_side(venue: Venue) -> None:
    def broken() -> None:
        raise RuntimeError("on purpose")

    venue.services.desired.venue = broken  # type: ignore[method-assign,assignment]
    async with venue.client() as client:
        home = {"Authorization": f"Bearer {HOME_TOKEN}"}
        answers = {
            200: await client.get("/v1/status", headers=home),
            401: await client.get("/v1/status"),
            404: await client.get("/v1/nothing", headers=home),
            405: await client.put("/v1/status", headers=home),
            421: await client.get("/", headers={"Host": "evil.example"}),
            500: await client.get("/v1/rooms", headers=home),
        }
        page = await client.get("/")
    for status, answer in [*answers.items(), (200, page)]:
        assert answer.status_code == status
        policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
        assert policy == {
            "default-src": "'none'",
            "script-src": "'self'",
            "style-src": "'self'",
            "img-src": "'self' data:",
            "connect-src": "'self'",
            "frame-ancestors": "'none'",
            "base-uri": "'none'",
            "form-action": "'self'",
        }, status
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "server" not in answer.headers
    assert answers[401].headers["cache-control"] == "no-store"
    assert "GET" in answers[405].headers["allow"].split(", ")


async def test_nothing_of_the_page_takes_anything(venue: Venue) -> None:
    async with venue.client() as client:
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            assert (await client.request(method, "/rooms")).status_code == 405


async def test_two_browsers_and_a_revocation_at_once_end_as_one_after_another_would(venue: Venue) -> None:
    secret = await venue.secret("operator", "Tablet")
    token = await venue.token_id("Tablet")

    async def one(number: int) -> int:
        async with venue.client(f"198.51.100.{number}") as client:
            answer = await sign_in(client, secret)
            return (await client.get("/v1/rooms")).status_code if answer.status_code == 200 else answer.status_code

    async def end() -> int:
        await asyncio.sleep(0.05)
        await venue.services.access.revoke(token, "ines")
        return 200

    statuses = await asyncio.gather(*(one(n) for n in range(20)), end(), *(one(n) for n in range(20, 40)))
    assert set(statuses) <= {200, 401}
    assert await one(99) == 401


async def test_a_made_token_is_told_once_and_lists_hold_no_secrets(venue: Venue) -> None:
    async with await venue.bearer("integrator") as boss:
        asked = {"name": "Night shift", "role": "operator", "rooms": [OWN], "days": 90}
        made = (await boss.post("/v1/access", json=asked)).json()
        assert (made["made_by"], made["state"], made["expires"]) == (
            "Somebody integrator",
            "good",
            "2031-08-15T12:00:00Z",
        )
        listed = (await boss.get("/v1/access")).text
        assert made["token"] not in listed
        assert "sha256" not in listed
        for bad in ({"days": 0}, {"days": 731}, {"role": "owner"}, {"rooms": []}, {"rooms": ["cellar"]}, {"name": ""}):
            assert (await boss.post("/v1/access", json={**asked, "name": "Other", **bad})).status_code in {404, 422}
        taken = await boss.post("/v1/access", json=asked)
        assert taken.status_code == 409
    async with venue.client() as client:
        assert (await sign_in(client, made["token"])).json()["name"] == "Night shift"


async def test_no_secret_is_in_the_log_the_audit_log_or_an_error(
    venue: Venue, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    secret = await venue.secret("operator")
    browser = await venue.signed_in("operator")
    cookie, csrf = browser.client.cookies["fleet_session"], browser.session["csrf"]
    said = [
        (await browser.post("/v1/plans", {"kind": "apply", "room": OWN})).text,
        (await browser.client.get("/v1/rooms", headers={"Authorization": f"Bearer {secret}x"})).text,
        (await browser.client.post("/v1/session", content=f'{{"token": "{secret}", "x": 1}}')).text,
        (await browser.client.post("/v1/session", json={"token": secret, "x": 1})).text,
    ]
    await venue.services.access.revoke(await venue.token_id("Somebody operator"), "ines")
    said.append((await browser.get("/v1/rooms")).text)
    await venue.services.audit.settled()
    said.append(json.dumps([repr(e) for e in await venue.services.audit.entries(500)]))
    said += [record.getMessage() for record in caplog.records]
    for hidden in (secret, secret.removeprefix("fleet_"), cookie, csrf, HOME_TOKEN):
        assert [text for text in said if hidden in text] == []
    stored = await asyncio.to_thread(lambda: b"".join(file.read_bytes() for file in tmp_path.glob("fleet.db*")))
    assert b"Somebody operator" in stored
    for hidden in (secret, cookie, csrf):
        assert hidden.encode() not in stored


async def test_a_version_without_the_room_leaves_the_session_without_rooms(venue: Venue) -> None:
    browser = await venue.signed_in("operator")
    files = {name: text for name, text in FILES.items() if OWN not in name}
    await venue.services.desired.load(files, "ines", allow=["smaller", "older"])
    assert (await browser.get("/v1/rooms")).json()["rooms"] == []
    assert (await browser.get(f"/v1/rooms/{OWN}")).status_code == 404


@pytest.mark.parametrize("other", ['prefs={"a": 1}', "=x", "a;;b", "\u00e9=1", 'q="', "Session id=1"])
async def test_what_another_program_of_the_host_keeps_in_its_cookies_signs_nobody_out(venue: Venue, other: str) -> None:
    browser = await venue.signed_in("operator")
    held = browser.client.cookies["fleet_session"]
    async with venue.client() as client:
        for cookies in (f"{other}; fleet_session={held}", f"fleet_session={held}; {other}"):
            answer = await client.get("/v1/session", headers={"Cookie": cookies.encode("latin-1")})
            assert answer.status_code == 200, cookies
