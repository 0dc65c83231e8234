"""Who may do what: every route of the API, for every role, in a room that was given to an operator and in another."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.openapi.utils import get_openapi

from fleet.faces.api.rules import RULES, enforce
from fleet.model.access import Role
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from tests.faces.access_scene import HOME_TOKEN, OTHER, OWN, Venue, a_venue
from tests.services.small_venue import FILES

OPERATORS = {
    "GET /v1/session",
    "DELETE /v1/session",
    "GET /v1/openapi.json",
    "GET /v1/rooms",
    "GET /v1/rooms/{room}",
    "GET /v1/rooms/{room}/levels",
    "GET /v1/rooms/{room}/missing",
    "GET /v1/diff",
    "GET /v1/changes",
    "GET /v1/changes/{change}",
    "GET /v1/changes/{change}/store-again",
    "GET /v1/events",
    "POST /v1/plans",
    "POST /v1/changes",
    "POST /v1/changes/{change}/keep",
    "POST /v1/changes/{change}/cancel",
}
"""What an operator may call at all, as it is meant; it is written here a second time on purpose."""
AUDITORS_TOO = {
    "POST /v1/check",
    "POST /v1/snapshots",
    "POST /v1/snapshots/verify",
    "POST /v1/handovers",
    "DELETE /v1/session",
}
"""What an auditor may call besides everything that is only looked at."""
ENDLESS = {"GET /v1/events"}


@pytest.fixture
async def venue(tmp_path: Path) -> AsyncIterator[Venue]:
    async with a_venue(tmp_path) as venue:
        yield venue


def documented(venue: Venue) -> list[tuple[str, str]]:
    """Every method and path of the OpenAPI document."""
    document = get_openapi(title="fleet", version="1", routes=venue.api.routes)
    return [(method.upper(), path) for path, ways in document["paths"].items() for method in ways]


def filled(path: str, room: str) -> str:
    return re.sub(r"\{[a-z_]+\}", "x-1", path.replace("{room}", room))


def mixed(role: Role, method: str, path: str) -> bool:
    """Whether a role may call a route, as it is meant."""
    if role == "integrator":
        return True
    if role == "operator":
        return f"{method} {path}" in OPERATORS
    return method == "GET" or f"{method} {path}" in AUDITORS_TOO


@pytest.mark.parametrize("room", [OWN, OTHER])
@pytest.mark.parametrize("role", ["integrator", "operator", "auditor"])
async def test_every_route_for_every_role(venue: Venue, role: Role, room: str) -> None:
    found = documented(venue)
    assert len(found) > 70
    wrong = []
    async with await venue.bearer(role) as client:
        for method, path in found:
            if path == "/v1/session" and method == "POST":
                continue
            if f"{method} {path}" in ENDLESS and mixed(role, method, path):
                continue
            planned = method == "POST" and path in {"/v1/plans", "/v1/changes"}
            body = {"kind": "recall", "room": room} if planned else {}
            query = {"room": room} if path == "/v1/diff" else {}
            answer = await client.request(
                method, filled(path, room), json=body if method == "POST" else None, params=query
            )
            foreign = role == "operator" and room == OTHER and ("{room}" in path or body or query)
            may = mixed(role, method, path) and not foreign
            if (answer.status_code != 403) != may or answer.status_code in {401, 429}:
                wrong.append(f"{method} {path}: {answer.status_code} {answer.text[:100]}")
    assert wrong == []


async def test_every_route_has_a_rule_and_every_rule_of_the_page_and_the_tool_a_route(venue: Venue) -> None:
    found = set(documented(venue))
    assert found - set(RULES) == set()
    assert set(RULES) - found <= {("GET", "/v1/openapi.json")}


async def test_a_new_route_without_a_rule_is_refused_when_the_api_is_built(venue: Venue) -> None:
    def new(thing: str) -> str:
        return thing

    venue.api.add_api_route("/v1/new/{thing}", new, methods=["PUT"])
    with pytest.raises(RuntimeError, match=r"PUT /v1/new/\{thing\}; give each a line in fleet/faces/api/rules.py"):
        enforce(venue.api)


@pytest.mark.parametrize("hidden", [False, True])
async def test_a_route_that_slipped_in_later_answers_nobody(venue: Venue, hidden: bool) -> None:
    if hidden:
        venue.api.add_route("/v1/new", lambda _: None, include_in_schema=False)
    else:
        venue.api.add_api_route("/v1/new", lambda: {"secret": "yes"})
    async with venue.client(Authorization=f"Bearer {HOME_TOKEN}") as client:
        assert (await client.get("/v1/new")).status_code == 404


@pytest.mark.parametrize("path", ["/v1//status", "//v1/status", "/v1/status/", "/V1/status", "/v1/%73tatus", "/v1"])
async def test_no_spelling_of_a_path_leads_past_the_rules(venue: Venue, path: str) -> None:
    async with await venue.bearer("operator") as operator, venue.client() as nobody:
        assert "broker" not in (await nobody.get(path)).text
        assert "broker" not in (await operator.get(path)).text


@pytest.mark.parametrize("kind", ["apply", "store", "rollback", "walk", "", None, ["recall"]])
async def test_an_operator_begins_no_other_change(venue: Venue, kind: Any) -> None:
    async with await venue.bearer("operator") as operator:
        for path in ("/v1/plans", "/v1/changes"):
            assert (await operator.post(path, json={"kind": kind, "room": OWN})).status_code in {403, 422}


@pytest.mark.parametrize(
    "more",
    [
        {"allow": ["rise"]},
        {"also": [OTHER]},
        {"also": OTHER},
        {"as_of": "2031-05-01"},
        {"change": "c-1"},
        {"level_from_slot": True},
        {"also_agreed": True},
        {"room": ""},
        {"room": [OWN]},
        {"room": f"{OWN} "},
    ],
)
async def test_an_operator_asks_for_no_more_than_their_own(venue: Venue, more: dict[str, Any]) -> None:
    async with await venue.bearer("operator") as operator:
        answer = await operator.post("/v1/plans", json={"kind": "recall", "room": OWN, **more})
        assert answer.status_code == 403, answer.text


async def test_what_was_checked_is_what_is_done_where_a_body_says_a_thing_twice(venue: Venue) -> None:
    async with await venue.bearer("operator") as operator:
        headers = {"content-type": "application/json"}
        twice = f'{{"kind": "recall", "room": "{OTHER}", "room": "{OWN}"}}'
        answer = await operator.post("/v1/plans", content=twice, headers=headers)
        assert answer.json().get("rooms") == [OWN], answer.text
        for bad in ("", "[]", "null", "{", "\xff"):
            answer = await operator.post("/v1/plans", content=bad.encode("latin-1"), headers=headers)
            assert answer.status_code in {403, 422}, bad
        assert (await operator.post("/v1/plans", content=b" " * 70_000, headers=headers)).status_code == 413


async def test_an_operator_recalls_their_room_under_their_own_name(venue: Venue) -> None:
    async with await venue.bearer("operator") as operator:
        asked = {"kind": "apply", "room": OWN, "who": "ines"}
        assert (await operator.post("/v1/plans", json=asked)).status_code == 403
        asked["kind"] = "recall"
        plan = (await operator.post("/v1/plans", json=asked)).json()
        assert plan["rooms"] == [OWN], plan
        answer = await operator.post("/v1/changes", json={**asked, "digest": plan["digest"]})
        assert answer.status_code in {200, 409}, answer.text
        if answer.status_code == 200:
            assert answer.json()["who"] == "Somebody operator"


async def test_a_mode_that_brings_another_room_along_needs_that_room_too(venue: Venue) -> None:
    modes = {
        "rooms/foyer.yaml": "modes: {open: {together_with: {weir-hall: open}}, late: {}}\n",
        "rooms/weir-hall.yaml": "modes: {open: {}}\n",
    }
    files = {path: text + modes.get(path, "") for path, text in FILES.items()}
    await venue.services.desired.load(files, "ines")
    asked = {"kind": "recall", "room": OWN, "mode": "open"}
    async with venue.client(Authorization=f"Bearer {HOME_TOKEN}") as ines:
        plan = (await ines.post("/v1/plans", json=asked)).json()
        assert set(plan["rooms"]) == {OWN, OTHER}, plan
    async with await venue.bearer("operator") as operator:
        refused = await operator.post("/v1/plans", json=asked)
        assert (refused.status_code, OTHER in refused.json()["detail"]) == (403, True)
        refused = await operator.post("/v1/changes", json={**asked, "digest": plan["digest"]})
        assert refused.status_code == 403, refused.text
        alone = await operator.post("/v1/plans", json={**asked, "mode": "late"})
        assert alone.json().get("rooms") == [OWN], alone.text


async def begun(venue: Venue, kind: Any, room: str, **more: Any) -> str:
    """A change of ines, and its id."""
    asked = Asked(kind=kind, scope=Scope(rooms=(room,)))
    plan = await venue.services.changes.plan(asked)
    allow = sorted({hit.guard for hit in plan.guards})
    record = await venue.services.changes.start(
        asked, digest=plan.digest, who="ines", why="", allow=allow, keep_within_s=more.get("keep_within_s")
    )
    await venue.services.changes.wait(record.id, 20, or_trial=True)
    return record.id


async def test_an_operator_keeps_and_undoes_trials_in_their_rooms_alone(venue: Venue) -> None:
    ended = await begun(venue, "apply", OWN)
    async with await venue.bearer("operator") as operator:
        assert (await operator.get(f"/v1/changes/{ended}")).status_code == 200
        for way in ("keep", "cancel"):
            answer = await operator.post(f"/v1/changes/{ended}/{way}", json={})
            assert answer.status_code == 403, "an integrator's change that is no trial"
    trial = await begun(venue, "apply", OTHER, keep_within_s=120)
    async with await venue.bearer("operator") as operator:
        assert (await operator.get(f"/v1/changes/{trial}")).status_code == 403
        for way in ("keep", "cancel"):
            assert (await operator.post(f"/v1/changes/{trial}/{way}", json={})).status_code == 403
        assert (await operator.get("/v1/changes")).json()["changes"][0]["id"] == ended
        assert len((await operator.get("/v1/changes")).json()["changes"]) == 1
        assert (await operator.get("/v1/changes/c-99")).status_code == 404


async def test_an_operator_keeps_a_trial_in_their_room(venue: Venue) -> None:
    trial = await begun(venue, "apply", OWN, keep_within_s=120)
    async with await venue.bearer("operator") as operator:
        kept = await operator.post(f"/v1/changes/{trial}/keep")
        assert kept.status_code == 200, kept.text
    await venue.services.audit.settled()
    entries = [e for e in await venue.services.audit.entries() if e.what.endswith("/keep")]
    assert [(e.who, e.role, e.result) for e in entries] == [("Somebody operator", "operator", "done")]


async def test_lists_hold_what_is_the_operators_and_nothing_of_the_rest(venue: Venue) -> None:
    async with await venue.bearer("operator") as operator:
        assert [r["room"] for r in (await operator.get("/v1/rooms")).json()["rooms"]] == [OWN]
        diff = await operator.get("/v1/diff")
        assert OTHER not in diff.text
        assert {n["room"] for n in (*diff.json()["differences"], *diff.json()["not_checked"])} <= {OWN}
        both = await operator.get("/v1/diff", params=[("room", OWN), ("room", OTHER)])
        assert both.status_code == 403
    async with await venue.bearer("auditor") as auditor:
        assert len((await auditor.get("/v1/rooms")).json()["rooms"]) == 2


async def test_an_operator_of_a_room_that_is_gone_sees_no_other(venue: Venue) -> None:
    async with await venue.bearer("operator") as operator:
        files = {name: text for name, text in FILES.items() if OWN not in name}
        await venue.services.desired.load(files, "ines", allow=["smaller", "empty", "older"])
        assert (await operator.get("/v1/rooms")).json()["rooms"] == []
        assert (await operator.get("/v1/diff")).status_code == 404


async def test_who_in_a_body_counts_from_this_machine_alone(venue: Venue) -> None:
    body = {"who": "somebody else", "until": "2h"}
    async with venue.client(Authorization=f"Bearer {HOME_TOKEN}") as here:
        assert (await here.post(f"/v1/rooms/{OWN}/hold", json=body)).json()["who"] == "somebody else"
        assert (await here.post(f"/v1/rooms/{OWN}/release", json={"who": "ana"})).status_code == 200
    async with await venue.bearer("integrator") as client:
        for given in (body, {"until": "2h"}):
            assert (await client.post(f"/v1/rooms/{OWN}/hold", json=given)).json()["who"] == "Somebody integrator"


async def test_refusals_are_in_the_audit_log_once_a_minute(venue: Venue) -> None:
    async with await venue.bearer("operator", "192.0.2.33") as operator:
        for _ in range(3):
            assert (await operator.post(f"/v1/rooms/{OWN}/hold", json={})).status_code == 403
    await venue.services.audit.settled()
    entries = [e for e in await venue.services.audit.entries() if e.what.endswith("/hold")]
    words = "refused: your token is an operator's, and this is not for an operator: ask an integrator"
    assert [(e.who, e.role, e.source, e.result) for e in entries] == [
        ("Somebody operator", "operator", "192.0.2.33", words)
    ]
