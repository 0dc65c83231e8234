"""What holds for the whole API: pages of lists, entity tags, methods, sizes, and problems for all that goes wrong."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response

from fleet.faces.api.app import build_api
from fleet.faces.api.bounded import LARGEST_BODY, LARGEST_FILES, LARGEST_SIGN_IN
from fleet.services.together import Services
from tests.faces.daemon_in_process import CommandLine, RunningDaemon
from tests.services.small_venue import FILES, FOYER, StagingDriver, boxes, opened, store_at

TOKEN = "a-token-of-the-tests"
WHO = {"who": "ines"}


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
    headers = {"Authorization": f"Bearer {TOKEN}"}
    async with AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=headers) as client:
        yield client


def problem(response: Response, status: int) -> dict[str, Any]:
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = response.json()
    assert {"type", "title", "status", "detail", "instance"} <= set(document)
    return document


# lists that grow


async def begin_levels(client: AsyncClient, services: Services, count: int) -> list[str]:
    """So many changes, last begun first."""
    made = []
    for number in range(count):
        text = FOYER.replace("-10", f"{-20 + number}")
        files = {**FILES, "rooms/foyer.yaml": text}
        await client.post("/v1/versions", json={"files": files, **WHO})
        plan = (await client.post("/v1/plans", json={"kind": "apply", "room": "foyer"})).json()
        body = {"kind": "apply", "room": "foyer", "digest": plan["digest"], "allow": ["rise", "half-room"], **WHO}
        made.append((await client.post("/v1/changes", json=body)).json()["id"])
        await services.changes.wait(made[-1], 20)
    return made[::-1]


async def pages(client: AsyncClient, path: str, member: str, limit: int) -> list[list[Any]]:
    """Every page of a list, followed by its `next`, which is also that of its `Link`."""
    found = []
    query: dict[str, Any] = {"limit": limit}
    while True:
        response = await client.get(path, params=query)
        document = response.json()
        found.append(document[member])
        if document["next"] is None:
            assert "next" not in response.links
            return found
        linked = (await client.get(response.links["next"]["url"])).json()
        query = {"limit": limit, "after": document["next"]}
        assert linked[member] == (await client.get(path, params=query)).json()[member]


async def test_each_list_that_grows_comes_in_pages(client: AsyncClient, services: Services) -> None:
    changes = await begin_levels(client, services, 5)
    snapshots = [(await client.post("/v1/snapshots", json=WHO)).json()["id"] for _ in range(3)][::-1]
    for number in range(3):
        await services.notices.give(services.notices.about("drift", f"notice {number}", room="foyer"))
    assert [[c["id"] for c in page] for page in await pages(client, "/v1/changes", "changes", 2)] == [
        changes[:2],
        changes[2:4],
        changes[4:],
    ]
    assert [[s["id"] for s in page] for page in await pages(client, "/v1/snapshots", "snapshots", 2)] == [
        snapshots[:2],
        snapshots[2:],
    ]
    told = await pages(client, "/v1/notices?room=foyer", "notices", 2)
    assert [[n["words"] for n in page] for page in told] == [["notice 2", "notice 1"], ["notice 0"]]
    devices = await pages(client, "/v1/devices", "devices", 4)
    assert [[d["id"] for d in page] for page in devices] == [
        ["box-1", "box-2", "box-3", "box-4"],
        ["box-5", "box-9"],
    ]
    numbers = [e["number"] for page in await pages(client, "/v1/audit", "entries", 3) for e in page]
    assert numbers == sorted(set(numbers), reverse=True)
    assert numbers[-1] == 1


async def test_what_is_added_meanwhile_neither_repeats_nor_hides_an_entry(
    client: AsyncClient, services: Services
) -> None:
    first = await begin_levels(client, services, 3)
    page = (await client.get("/v1/changes", params={"limit": 2})).json()
    await begin_levels(client, services, 1)
    rest = (await client.get("/v1/changes", params={"limit": 2, "after": page["next"]})).json()
    assert [c["id"] for c in page["changes"] + rest["changes"]] == first
    assert rest["next"] is None


@pytest.mark.parametrize("after", ["x", "AAAA", "%00", "L3YxL2RldmljZXMKYm94LTE", "é", "a" * 401])
async def test_a_cursor_of_nothing_is_refused(client: AsyncClient, after: str) -> None:
    problem(await client.get("/v1/changes", params={"after": after}), 422)


@pytest.mark.parametrize("limit", ["0", "501", "-1", "many"])
async def test_a_page_has_its_bounds(client: AsyncClient, limit: str) -> None:
    for path in ("/v1/changes", "/v1/snapshots", "/v1/notices", "/v1/audit", "/v1/devices"):
        problem(await client.get(path, params={"limit": limit}), 422)


def test_the_commands_follow_the_pages(daemon: RunningDaemon, fleet: CommandLine, monkeypatch: Any) -> None:
    monkeypatch.setattr("fleet.faces.cli.client.AT_ONCE", 2)
    assert [d["id"] for d in json.loads(fleet("devices", "--json").out)["devices"]] == sorted(daemon.driver.devices)
    for _ in range(3):
        fleet("snapshot", "take")
    assert len(json.loads(fleet("snapshot", "show", "--json").out)["snapshots"]) == 3
    assert len(json.loads(fleet("audit", "show", "--lines", "3", "--json").out)["entries"]) == 3


# entity tags


async def test_what_a_reader_has_is_not_sent_again(client: AsyncClient) -> None:
    first = await client.get("/v1/rooms")
    etag = first.headers["etag"]
    assert etag.startswith('"'), "RFC 9110, section 8.8.1: a strong one"
    for known in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        again = await client.get("/v1/rooms", headers={"If-None-Match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag), known
    assert (await client.get("/v1/rooms", headers={"If-None-Match": '"other"'})).status_code == 200
    await client.post("/v1/rooms/foyer/hold", json={"until": "2h", **WHO})
    moved = await client.get("/v1/rooms", headers={"If-None-Match": etag})
    assert (moved.status_code, moved.headers["etag"] != etag) == (200, True)


async def test_a_problem_and_a_post_have_no_tag(client: AsyncClient) -> None:
    assert "etag" not in (await client.get("/v1/devices/none")).headers
    assert "etag" not in (await client.post("/v1/check", json={})).headers
    assert (await client.get("/v1/devices/none", headers={"If-None-Match": "*"})).status_code == 404


async def test_of_two_who_edit_the_second_is_told(client: AsyncClient) -> None:
    etag = (await client.get("/v1/files")).headers["etag"]
    mine, theirs = ({**FILES, "rooms/foyer.yaml": FOYER.replace("-10", level)} for level in ("-11", "-12"))
    first = await client.post("/v1/versions", json={"files": mine, **WHO}, headers={"If-Match": etag})
    assert first.status_code == 200
    second = await client.post("/v1/versions", json={"files": theirs, **WHO}, headers={"If-Match": etag})
    assert "another version is in force" in problem(second, 412)["detail"]
    held = await client.get("/v1/files")
    assert held.json()["files"] == mine
    again = {"If-Match": held.headers["etag"]}
    assert (await client.post("/v1/versions", json={"files": theirs, **WHO}, headers=again)).status_code == 200


# methods, paths and sizes


async def test_a_head_is_its_get_without_a_body(client: AsyncClient) -> None:
    get, head = await client.get("/v1/rooms"), await client.head("/v1/rooms")
    assert (head.status_code, head.content) == (200, b"")
    assert (head.headers["etag"], head.headers["content-length"]) == (get.headers["etag"], str(len(get.content)))
    assert (await client.head("/v1/devices/none")).status_code == 404
    assert (await client.head("/v1/events")).status_code == 405, "it has no end"
    del client.headers["Authorization"]
    assert (await client.head("/v1/rooms")).status_code == 401


async def test_options_and_wrong_methods_tell_what_is_allowed(client: AsyncClient) -> None:
    told = await client.options("/v1/changes")
    assert (told.status_code, told.headers["allow"]) == (204, "GET, HEAD, OPTIONS, POST")
    wrong = await client.put("/v1/changes", json={})
    problem(wrong, 405)
    assert wrong.headers["allow"] == "GET, HEAD, OPTIONS, POST"
    problem(await client.options("/v1/nothing"), 404)


async def test_unknown_paths_are_problems_that_name_themselves(client: AsyncClient) -> None:
    told = problem(await client.get("/v1/nothing/at%20all"), 404)
    assert told["instance"] == "/v1/nothing/at%20all"
    described = (await client.get("/v1/openapi.json")).json()
    kinds = described["components"]["x-problem-types"]
    assert kinds[told["title"]]["type"] == told["type"]


@pytest.mark.parametrize(
    ("path", "most"),
    [("/v1/plans", LARGEST_BODY), ("/v1/versions", LARGEST_FILES), ("/v1/session", LARGEST_SIGN_IN)],
)
async def test_a_body_that_is_too_large(client: AsyncClient, path: str, most: int) -> None:
    body = b'"' + b"x" * (most - 2) + b'"'
    headers = {"Content-Type": "application/json"}
    assert (await client.post(path, content=body, headers=headers)).status_code == 422
    problem(await client.post(path, content=body + b" ", headers=headers), 413)

    async def trickled() -> AsyncIterator[bytes]:
        yield body
        yield b" "

    problem(await client.post(path, content=trickled(), headers=headers), 413)


@pytest.mark.parametrize("path", ["notices", "audit"])
@pytest.mark.parametrize("since", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59"])
async def test_a_moment_that_no_calendar_has_in_utc_is_a_mistake_of_who_asks(
    client: AsyncClient, path: str, since: str
) -> None:
    told = problem(await client.get(f"/v1/{path}", params={"since": since}), 422)
    assert "no such moment in UTC" in told["detail"]
