"""Rounds over the API: documents with a result for each room, problem details for what is no round."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient

from fleet.faces.api.app import build_api
from fleet.services.together import Services
from tests.services.many_rooms import FIVE_ROOMS, all_devices, away
from tests.services.small_venue import StagingDriver, opened, store_at

TOKEN = "a-token-of-the-tests"


@pytest.fixture
def driver() -> StagingDriver:
    return StagingDriver(all_devices())


@pytest.fixture
async def services(tmp_path: Path, driver: StagingDriver) -> AsyncIterator[Services]:
    async with store_at(tmp_path) as store:
        services = await opened(store, driver)
        await services.desired.load(FIVE_ROOMS, "ines")
        yield services
        await services.close()


@pytest.fixture
async def client(services: Services) -> AsyncIterator[AsyncClient]:
    api = build_api(services, TOKEN, broker="mqtt://127.0.0.1:1883", root="loudspeakers/v1")
    headers = {"Authorization": f"Bearer {TOKEN}"}
    async with AsyncClient(transport=ASGITransport(api), base_url="http://127.0.0.1/v1", headers=headers) as client:
        yield client


async def begin(client: AsyncClient, **other: Any) -> dict[str, Any]:
    """The body of a round that was looked at."""
    shown = (await client.post("/rounds/plan", json={"kind": "apply"})).json()
    digests = {room["room"]: room["plan"]["digest"] if room["plan"] else "" for room in shown["rooms"]}
    return {"kind": "apply", "digests": digests, "who": "ines", "allow": ["half-room", "rise"], **other}


async def test_each_room_and_each_device_has_its_result(client: AsyncClient, driver: StagingDriver) -> None:
    away(driver.devices, ("box-5", "box-6", "box-7"))
    shown = (await client.post("/rounds/plan", json={"kind": "apply"})).json()
    attic = shown["rooms"][0]
    assert (attic["plan"], [d["device"] for d in attic["refused"]["devices"]]) == (None, ["box-6", "box-7"])
    assert not shown["empty"]
    one = (await client.post("/rounds", json=await begin(client, stop_after=3))).json()
    done = (await client.get(f"/rounds/{one['id']}", params={"wait_s": 20})).json()
    assert (done["ended"], done["all_done"], done["stop_after"]) == (True, False, 3)
    assert [(room["room"], room["state"]) for room in done["rooms"]] == [
        ("attic", "refused"),
        ("bar", "refused"),
        ("foyer", "refused"),
        ("weir-hall", "not begun"),
        ("yard", "not begun"),
    ]
    assert done["counted"] == ["box-5", "box-6", "box-7"]
    assert done["rooms"][0]["devices"] == [
        {"device": "box-6", "words": "box-6 did not answer in time"},
        {"device": "box-7", "words": "box-7 did not answer in time"},
    ]
    assert done["rooms"][1]["words"].startswith("live-click: ")
    assert done["stopped"] == "3 devices failed, unreachable or late"


@pytest.mark.parametrize(
    ("wrong", "status"),
    [
        ({"digests": {}}, 422),
        ({"digests": {"cellar": ""}}, 404),
        ({"digests": {"bar": "not a digest"}}, 422),
        ({"stop_after": 0}, 422),
        ({"kind": "store"}, 422),
        ({"keep_within_s": 60}, 422),
    ],
)
async def test_what_is_no_round(client: AsyncClient, wrong: dict[str, Any], status: int) -> None:
    response = await client.post("/rounds", json={**await begin(client), **wrong})
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"


async def test_a_round_that_nobody_knows(client: AsyncClient) -> None:
    response = await client.get("/rounds/round-x")
    assert response.status_code == 404
    assert "not kept when the daemon stops" in response.json()["detail"]


async def test_taking_over(client: AsyncClient, driver: StagingDriver) -> None:
    driver.devices["box-2"].epoch = 40
    found = (await client.get("/take-over")).json()
    assert (found["above"], found["epoch_wanted"], found["taken"]) == ({"box-2": 40}, 41, False)
    taken = (await client.post("/take-over", json={"who": "ines"})).json()
    assert (taken["above"], taken["epoch_wanted"], taken["taken"]) == ({"box-2": 40}, 41, True)
    assert (await client.get("/take-over")).json()["epoch"] == 41
