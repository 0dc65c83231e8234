"""The HTTP API: nothing without the token, documents for what goes well, problem details for what does not."""

from __future__ import annotations

import base64
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from httpx import ASGITransport, AsyncClient

from fleet import errors
from fleet.errors import Complaint, FleetError
from fleet.faces.api.app import build_api
from fleet.faces.cli.client import error_of
from fleet.services.together import Services
from tests.services.small_venue import FILES, FOYER, StagingDriver, boxes, hear_all, opened, store_at

TOKEN = "a-token-of-the-tests"
SIGNED = {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture
async def services(tmp_path: Path) -> AsyncIterator[Services]:
    async with store_at(tmp_path) as store:
        services = await opened(store, StagingDriver(boxes()))
        yield services
        await services.close()


@pytest.fixture
def api(services: Services) -> FastAPI:
    return build_api(services, TOKEN, broker="mqtt://127.0.0.1:1883", root="loudspeakers/v1")


@pytest.fixture
async def client(api: FastAPI) -> AsyncIterator[AsyncClient]:
    transport = ASGITransport(api, raise_app_exceptions=False)
    async with AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=SIGNED) as client:
        yield client


def problem(response: httpx.Response, status: int) -> dict[str, Any]:
    """The problem document; RFC 9457, section 3: its media type, and members type, status, title and detail."""
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = response.json()
    assert document["status"] == status
    assert {"type", "title", "detail"} <= set(document)
    return document


def routes(api: FastAPI) -> list[tuple[str, str]]:
    found = []
    pending: list[Any] = list(api.routes)
    while pending:
        route = pending.pop()
        if isinstance(route, APIRoute):
            found += [(method, route.path) for method in route.methods or ()]
        else:
            below = getattr(route, "original_router", None) or getattr(route, "routes", None)
            pending += getattr(below, "routes", below) or []
    return sorted(found)


async def test_no_route_answers_without_the_token(api: FastAPI) -> None:
    known = [one for one in routes(api) if one != ("POST", "/session")]  # which takes it in its body
    assert len(known) >= 20, "all of them were found"
    prefixed = [(method, path if path.startswith("/v1") else f"/v1{path}") for method, path in known]
    for kind, authorization in enumerate(("", "Bearer wrong", f"Basic {TOKEN}", f"bearer {TOKEN}x", TOKEN, "Bearer ")):
        for number, (method, path) in enumerate(prefixed):
            host = (f"10.0.{kind}.{number}", 1)  # one source would have to wait after some failures
            async with AsyncClient(transport=ASGITransport(api, client=host), base_url="http://127.0.0.1") as client:
                headers = {"Authorization": authorization}
                response = await client.request(method, path.replace("{", "").replace("}", ""), headers=headers)
            assert problem(response, 401)["detail"].startswith("the token is missing or wrong"), (method, path)
            assert response.headers["www-authenticate"] == "Bearer", "RFC 9110, section 11.6.1"
    async with AsyncClient(transport=ASGITransport(api), base_url="http://127.0.0.1") as client:
        for path in ("/v1/status", "/v1/docs", "/v1/openapi.json", "/v1/redoc"):
            assert (await client.get(path)).status_code == 401


async def test_every_route_on_a_good_day(api: FastAPI, client: AsyncClient, services: Services) -> None:
    called: set[tuple[str, str]] = set()

    async def call(method: str, path: str, form: str, body: Any = None, *, over: str = "", **query: Any) -> Any:
        response = await client.request(method, f"/v1{path}", json=body, params=query)
        assert response.status_code == 200, response.text
        document = response.json()
        assert document["format"] == form
        called.add((method, over or path))
        return document

    who = {"who": "ines"}
    status = await call("GET", "/status", "fleet-status/1")
    assert (status["venue"], status["link_trouble"]) == ("Harbour House", "")
    files = {**FILES, "rooms/foyer.yaml": FOYER.replace("-10", "-11")}
    assert (await call("POST", "/versions", "fleet-load/1", {"files": files, **who}))["positions"] == 6
    assert (await call("POST", "/check", "fleet-check/1", {}))["counts"] == {"note": 4}
    assert (await call("GET", "/drift", "fleet-drift/1"))["episodes"] == []
    assert [r["room"] for r in (await call("GET", "/rooms", "fleet-rooms/1"))["rooms"]] == ["foyer", "weir-hall"]
    room = await call("GET", "/rooms/foyer", "fleet-room/1", over="/rooms/{room}")
    assert [p["settings"]["level_db"]["wanted"] for p in room["positions"]] == ["-11 dB", "-11 dB"]
    hold = {"until": "2h", **who}
    assert (await call("POST", "/rooms/foyer/hold", "fleet-hold/1", hold, over="/rooms/{room}/hold"))["who"] == "ines"
    await call("POST", "/rooms/foyer/release", "fleet-release/1", who, over="/rooms/{room}/release")
    assert (await call("GET", "/diff", "fleet-diff/1", room="foyer"))["checked"] == 2
    assert (await call("GET", "/diff", "fleet-diff/1", room="weir-hall", group="mains"))["checked"] == 2
    of = {"room": "foyer", "position": "desk"}
    shown = await call("POST", "/deviations/look", "fleet-deviations-found/1", of)
    signed = {"digest": shown["digest"], "until": "2031-06-30", "owner": "Ana", "why": "closed", **who}
    assert (await call("POST", "/deviations", "fleet-deviations/1", {**of, **signed}))["deviations"][0]["stands"]
    assert (await call("GET", "/deviations", "fleet-deviations/1"))["deviations"][0]["owner"] == "Ana"
    ended = await call("POST", "/deviations/end", "fleet-deviations/1", {**of, **who})
    assert [d["ended_by"] for d in ended["deviations"]] == ["ines"]
    guest = {"guest": "Visiting company", "until": "2h", "ceiling_db": -3, **who}
    began = await call("POST", "/rooms/foyer/guest", "fleet-guest/1", guest, over="/rooms/{room}/guest")
    assert (await call("GET", "/guests", "fleet-guests/1"))["sessions"][0]["snapshot"] == began["snapshot"]
    there = await client.post("/v1/rooms/foyer/guest/put-back/plan")
    assert "is the guest in foyer" in problem(there, 409)["detail"]
    there = await client.post("/v1/rooms/foyer/guest/put-back", json={"digest": "0" * 64, **who})
    assert "is the guest in foyer" in problem(there, 409)["detail"]
    called |= {("POST", "/rooms/{room}/guest/put-back/plan"), ("POST", "/rooms/{room}/guest/put-back")}
    left = await call("POST", "/rooms/foyer/guest/end", "fleet-guest/1", who, over="/rooms/{room}/guest/end")
    assert left["state"] == "closed"
    assert len((await call("GET", "/devices", "fleet-devices/1"))["devices"]) == 6
    one = await call("GET", "/devices/box-1", "fleet-device/1", over="/devices/{device}")
    assert one["reported"]["state"]["active_slot"] == 1
    accepted = await call("POST", "/devices/box-1/accept", "fleet-device/1", who, over="/devices/{device}/accept")
    assert accepted["status"] == "bound"
    await call("POST", "/devices/box-1/identify", "fleet-identify/1", {"seconds": 5}, over="/devices/{device}/identify")
    asked = {"kind": "apply", "room": "weir-hall", "group": "mains"}
    plan = await call("POST", "/plans", "fleet-plan/1", asked)
    begin = {**asked, "digest": plan["digest"], "why": "a test", "allow": ["half-room"], **who}
    change = (await call("POST", "/changes", "fleet-change/1", begin))["id"]
    done = await call("GET", f"/changes/{change}", "fleet-change/1", over="/changes/{change}", wait_s=20)
    assert (done["state"], done["ended"]) == ("kept", True)
    assert done["story"][0]["what"] == "staging"
    assert [c["id"] for c in (await call("GET", "/changes", "fleet-changes/1"))["changes"]] == [change]
    first = (await call("POST", "/snapshots", "fleet-snapshot/2", {"note": "n", **who}))["id"]
    await call("GET", "/snapshots", "fleet-snapshots/1")
    await call("GET", f"/snapshots/{first}", "fleet-snapshot/2", over="/snapshots/{snapshot}")
    over = "/snapshots/{snapshot}/witnesses"
    seen = await call("POST", f"/snapshots/{first}/witnesses", "fleet-snapshot/2", {"name": "Jo", **who}, over=over)
    assert [w["name"] for w in seen["witnesses"]] == ["Jo"]
    stamped = await client.post(f"/v1/snapshots/{first}/time-stamps", json=who)
    assert "no time stamp service" in problem(stamped, 409)["detail"]
    assert "signs nothing" in problem(await client.get("/v1/snapshot-key"), 404)["detail"]
    called |= {("POST", "/snapshots/{snapshot}/time-stamps"), ("GET", "/snapshot-key")}
    log = await call("GET", "/audit", "fleet-audit/1", limit=5)
    assert [e["what"] for e in log["entries"]][1] == "POST /v1/snapshots/{snapshot}/witnesses"
    assert (await call("GET", "/audit/verify", "fleet-audit-verify/1"))["right"]
    over = "/snapshots/{first}/against/{second}"
    assert (await call("GET", f"/snapshots/{first}/against/{first}", "fleet-snapshot-diff/1", over=over))["same"]
    papers = await call("POST", "/handovers", "fleet-handover/1", {"room": "foyer", "note": "n", **who})
    assert (papers["checked"], "handover.html" in papers["files"]) == (2, True)
    over = "/changes/{change}/store-again"
    again = await call("GET", f"/changes/{change}/store-again", "fleet-store-again/1", over=over)
    assert again["positions"] == ["weir-hall/main-left", "weir-hall/main-right"], "their slot holds the factory's sound"
    over = "/rooms/{room}/positions/{position}"
    place = await call("GET", "/rooms/foyer/positions/desk", "fleet-position/1", over=over)
    assert (place["device"]["id"], place["whereabouts"]) == ("box-4", None)
    curves = await call("GET", "/rooms/foyer/responses", "fleet-responses/1", over="/rooms/{room}/responses")
    assert [one["position"] for one in curves["positions"]] == ["desk", "door"]
    told = await call("GET", "/rooms/weir-hall/history", "fleet-history/1", over="/rooms/{room}/history", limit=5)
    assert [v["version"] for v in told["versions"]] == [1]
    ended = await client.post(f"/v1/changes/{change}/cancel", json=who)
    assert "has ended" in problem(ended, 409)["detail"]
    called.add(("POST", "/changes/{change}/cancel"))
    ended = await client.post(f"/v1/changes/{change}/keep")
    assert "has ended: kept" in problem(ended, 409)["detail"]
    called.add(("POST", "/changes/{change}/keep"))
    shown = await call("POST", "/rounds/plan", "fleet-round-plan/1", {"kind": "apply"})
    digests = {room["room"]: room["plan"]["digest"] for room in shown["rooms"]}
    begin = {"kind": "apply", "digests": digests, "allow": ["half-room", "rise"], **who}
    one = (await call("POST", "/rounds", "fleet-round/1", begin))["id"]
    done = await call("GET", f"/rounds/{one}", "fleet-round/1", over="/rounds/{round_id}", wait_s=20)
    assert (done["ended"], done["all_done"]) == (True, True)
    ended = await client.post(f"/v1/rounds/{one}/cancel", json=who)
    assert "has ended" in problem(ended, 409)["detail"]
    called.add(("POST", "/rounds/{round_id}/cancel"))
    assert not (await call("GET", "/take-over", "fleet-take-over/1"))["above"]
    assert not (await call("POST", "/take-over", "fleet-take-over/1", who))["taken"]
    asked = {"room": "foyer", "devices": ["box-4"], "into": "rooms/foyer.yaml", **who}
    planned = await call("POST", "/capture/plan", "fleet-capture/1", asked)
    captured = await call("POST", "/capture", "fleet-capture/1", {**asked, "note": "first visit"})
    assert (planned["text"], planned["version"]) == (captured["text"], None)
    held = await call("GET", "/files", "fleet-files/1")
    assert (held["files"]["rooms/foyer.yaml"], held["note"]) == (captured["text"], "first visit")
    walk = (await call("POST", "/walks", "fleet-walk/1", {"room": "foyer", **who}))["id"]
    await call("POST", f"/walks/{walk}/step", "fleet-walk/1", {"move": "next", **who}, over="/walks/{walk}/step")
    answers = {"position": "desk", "answers": dict.fromkeys(("place", "source", "sound", "polarity"), "yes"), **who}
    await call("POST", f"/walks/{walk}/answers", "fleet-walk/1", answers, over="/walks/{walk}/answers")
    await call("POST", f"/walks/{walk}/end", "fleet-walk/1", who, over="/walks/{walk}/end")
    await call("GET", f"/walks/{walk}", "fleet-walk/1", over="/walks/{walk}")
    await call("GET", "/walks", "fleet-walks/1")
    await call("GET", "/swaps", "fleet-swaps/1")
    # What these do where they do it is in test_binding_commands: here is no box to spare.
    binding = {"position": "desk", "device": "box-5", **who}
    swap = {"position": "desk", "device": "box-5"}
    for path, body, status in (
        ("/bindings", binding, 409),
        ("/bindings/remove", {"position": "desk", **who}, 409),
        ("/swaps/plan", swap, 409),
        ("/swaps", {**swap, "digest": "0" * 64, **who}, 409),
    ):
        problem(await client.post(f"/v1{path}", json=body), status)
        called.add(("POST", path))
    problem(await client.get("/v1/swaps/w-none"), 404)
    called.add(("GET", "/swaps/{swap}"))
    made = await call("POST", "/access", "fleet-access-made/1", {"name": "Ana", "role": "auditor", **who})
    assert (await call("GET", "/session", "fleet-session/1"))["by"] == "home token"
    assert (await call("POST", "/session", "fleet-session/1", {"token": made["token"]}))["name"] == "Ana"
    over = "/access/{token}/sign-out"
    assert (await call("POST", f"/access/{made['id']}/sign-out", "fleet-sessions-ended/1", who, over=over))[
        "ended"
    ] == 1
    assert (await call("GET", "/sessions", "fleet-sessions/1"))["sessions"] == []
    assert (await call("POST", "/sessions/end", "fleet-sessions-ended/1", who))["ended"] == 0
    over = "/access/{token}/revoke"
    await call("POST", f"/access/{made['id']}/revoke", "fleet-access-token/1", who, over=over)
    assert [one["state"] for one in (await call("GET", "/access", "fleet-access/1"))["tokens"]] == ["revoked"]
    called.add(("DELETE", "/session"))  # which the cookie's own tests call
    over = "/snapshots/{snapshot}/file"
    file = await client.get(f"/v1/snapshots/{first}/file", params={"as": "json"})
    body = {"file": base64.b64encode(file.content).decode()}
    assert (await call("POST", "/snapshots/verify", "fleet-verify/1", body))["right"] is False, "nothing signs it here"
    levels = await call("GET", "/rooms/foyer/levels", "fleet-levels/1", over="/rooms/{room}/levels")
    assert [one["range_db"] for one in levels["levels"]] == [None, None]
    missing = await call("GET", "/rooms/foyer/missing", "fleet-missing/1", over="/rooms/{room}/missing")
    assert missing["missing"] == []
    restart = {"room": "foyer", "recall": False, **who}
    assert (await call("POST", "/restarts/plan", "fleet-restart/1", restart))["waves"] == [["box-4", "box-5"]]
    begun = await call("POST", "/restarts", "fleet-restart/1", restart)
    assert (await call("GET", f"/restarts/{begun['id']}", "fleet-restart/1", over="/restarts/{restart}"))["rooms"]
    assert [n["kind"] for n in (await call("GET", "/notices", "fleet-notices/1"))["notices"]] == ["guest"]
    assert (await call("GET", "/receivers", "fleet-receivers/1"))["receivers"] == []
    assert (await call("POST", "/receivers/test", "fleet-notices-test/1", who))["receivers"] == []
    assert (await client.get("/v1/openapi.json")).json()["openapi"].startswith("3.")
    called |= {
        ("GET", "/openapi.json"),
        ("GET", over),
        ("GET", "/events"),
    }  # the last never ends
    assert {(method, path.removeprefix("/v1")) for method, path in routes(api)} == called


async def test_a_running_change_is_cancelled(client: AsyncClient, services: Services) -> None:
    asked = {"kind": "apply", "room": "weir-hall"}
    plan = (await client.post("/v1/plans", json=asked)).json()
    begin = {**asked, "digest": plan["digest"], "who": "ines", "allow": ["half-room", "rise"]}
    change = (await client.post("/v1/changes", json=begin)).json()["id"]
    await client.post(f"/v1/changes/{change}/cancel", json={"who": "jo"})
    done = (await client.get(f"/v1/changes/{change}", params={"wait_s": 20})).json()
    assert done["state"] in {"cancelled", "rolled back"}
    assert done["culprits"] == {"": "cancelled by jo"}


PROBLEMS = [
    (errors.NotFound("no room 'x'", where="w", remedy="r"), 404, {"where": "w", "remedy": "r"}),
    (errors.BadInput("not a number", where="--port"), 422, {"where": "--port"}),
    (
        errors.BadFiles((Complaint("rooms/a.yaml", 3, 7, "what"), Complaint("rooms/a.yaml", 1, 1, "else"))),
        422,
        {"complaints": ["rooms/a.yaml:1:1: else", "rooms/a.yaml:3:7: what"]},
    ),
    (
        errors.Mistakes((Complaint("boxes.csv", 3, 2, "what"),), "the sheet"),
        422,
        {"complaints": ["boxes.csv:3:2: what"]},
    ),
    (errors.Refused("too loud", guards=("rise",), remedy="r"), 409, {"guards": ["rise"], "remedy": "r"}),
    (errors.Moved("moved"), 409, {"guards": []}),
    (errors.DeviceSilent("box-1"), 504, {}),
    (errors.DeviceRefused("box-1", "busy", "not now"), 502, {}),
    (errors.DeviceNonsense("box-1", "sent text"), 502, {}),
    (errors.BrokerDown("no broker"), 503, {}),
    (errors.StoreTrouble("the disk is full"), 500, {}),
    (errors.NotDelivered("nobody was told"), 500, {}),
    (errors.NoDaemon("none"), 500, {}),
    (errors.NoEntry("the token opens nothing"), 409, {"guards": []}),
    (errors.Unproven("another certificate"), 500, {}),
    (FleetError("something"), 500, {}),
]


def kinds(kind: type[FleetError]) -> set[str]:
    """Names of a class of errors and of all below it, in `fleet.errors`."""
    below = {n for k in kind.__subclasses__() if k.__module__ == "fleet.errors" for n in kinds(k)}
    return {kind.__name__, *below}


def test_every_error_has_its_problem() -> None:
    assert {type(error).__name__ for error, _, _ in PROBLEMS} == kinds(FleetError)


@pytest.mark.parametrize(("error", "status", "members"), PROBLEMS, ids=lambda v: type(v).__name__)
async def test_errors_are_problem_details(
    client: AsyncClient,
    services: Services,
    monkeypatch: pytest.MonkeyPatch,
    error: FleetError,
    status: int,
    members: Any,
) -> None:
    async def fail(*_: Any, **__: Any) -> Any:
        raise error

    monkeypatch.setattr(type(services.lookout), "differences", fail)
    document = problem(await client.get("/v1/diff"), status)
    assert (document["title"], document["detail"]) == (type(error).__name__, error.what)
    assert {k: document[k] for k in members} == members
    told = error_of(document)
    assert error.what in str(told)
    assert isinstance(told, errors.Refused) == isinstance(error, errors.Refused)
    if isinstance(error, errors.Refused) and isinstance(told, errors.Refused):
        assert told.guards == error.guards
    if error.remedy:
        assert str(told) == str(error)


async def test_an_unexpected_error_tells_no_insides(
    client: AsyncClient, services: Services, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: Any) -> Any:
        raise ZeroDivisionError("secret insides")

    monkeypatch.setattr(type(services.desired), "venue", fail)
    response = await client.get("/v1/rooms")
    assert "log" in problem(response, 500)["detail"]
    assert "secret" not in response.text
    assert "Traceback" not in response.text
    assert "secret insides" in caplog.text


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/versions", {"files": FILES, "who": "ines", "force": True}),
        ("/versions", {"files": FILES, "who": "ines", "allow": ["everything"]}),
        ("/versions", {"files": FILES}),
        ("/versions", {"files": FILES, "who": ""}),
        ("/check", {"folder": "/etc"}),
        ("/plans", {"kind": "apply", "room": "foyer", "rooms": ["foyer"]}),
        ("/plans", {"kind": "explode", "room": "foyer"}),
        ("/changes", {"kind": "apply", "room": "foyer", "digest": "ab", "who": "ines"}),
        ("/devices/box-1/identify", {"seconds": 3600}),
        ("/devices/box-1/identify", {"seconds": 5, "loud": True}),
        ("/devices/box-1/accept", {}),
        ("/snapshots", {"who": "ines", "note": "n" * 1001}),
        ("/rooms/foyer/hold", {"who": "ines"}),
    ],
)
async def test_bodies_with_unknown_or_wrong_members_are_refused(client: AsyncClient, path: str, body: Any) -> None:
    document = problem(await client.post(f"/v1{path}", json=body), 422)
    assert document["title"] == "BadInput"
    assert document["detail"].startswith("body.")


async def test_a_body_that_is_no_json(client: AsyncClient) -> None:
    problem(await client.post("/v1/plans", content=b"\xff{", headers={"content-type": "application/json"}), 400)
    assert problem(await client.post("/v1/plans", content=b"{"), 422)["title"] == "BadInput"


@pytest.mark.parametrize(
    "hostile",
    [
        "..%2F..%2Fetc%2Fpasswd",
        "%00",
        "%1b%5b31m",
        "box-1%0d%0aX-Other:%20yes",
        "'%20OR%201=1--",
        "%E2%80%AE",
        "a" * 8000,
    ],
)
@pytest.mark.parametrize("path", ["/devices/{}", "/changes/{}", "/snapshots/{}", "/snapshots/{}/against/{}"])
async def test_hostile_names_are_just_not_found(client: AsyncClient, path: str, hostile: str) -> None:
    response = await client.get(f"/v1{path.replace('{}', hostile)}")
    document = problem(response, 404)
    assert document["title"] == "NotFound"
    assert len(document["detail"]) < 300
    assert document["detail"].isprintable()


async def test_hostile_names_in_questions(client: AsyncClient) -> None:
    for query in (
        {"room": "attic\x1b[2J"},
        {"room": "foyer", "position": "\u202e"},
        {"room": "foyer", "group": "g" * 9000},
    ):
        document = problem(await client.get("/v1/diff", params=query), 404)
        assert document["detail"].isprintable()


async def test_a_conflicting_device_is_told_of(client: AsyncClient, services: Services) -> None:
    driver = services.driver
    assert isinstance(driver, StagingDriver)
    driver.devices["box-1"].boot_count = 0
    driver.touched("box-1")
    await hear_all(services, driver)
    row = (await client.get("/v1/devices")).json()["devices"][0]
    assert (row["status"], row["id"]) == ("conflicting", "box-1")
    assert "boot count 0" in row["conflict"]
