"""The metrics as a monitoring system reads them, by the parser of its own library."""

from __future__ import annotations

import math
import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from httpx import ASGITransport, AsyncClient
from prometheus_client.parser import text_string_to_metric_families

from fleet.drivers.protocol import Event, LinkDown, LinkUp
from fleet.errors import StoreTrouble
from fleet.faces.api.app import build_api
from fleet.faces.api.routes_upkeep import add_upkeep
from fleet.faces.metrics.meters import Meters
from fleet.faces.metrics.observed import WRITING, observed_driver, observed_store
from fleet.faces.metrics.scrape import scrape
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import StagingDriver, apply, begun, boxes, ended, hear_all, opened, store_at

Values = dict[tuple[str, ...], float]


def values(text: str) -> Values:
    """Each sample by its name and the values of its labels."""
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


async def scraped(services: Services, meters: Meters) -> Values:
    return values((await scrape(services, meters)).decode())


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with store_at(tmp_path) as opened_store:
        yield opened_store


@pytest.fixture
def meters() -> Meters:
    return Meters()


async def test_devices_rooms_and_changes_are_counted(store: Store, meters: Meters) -> None:
    driver = StagingDriver(boxes())
    services = await opened(observed_store(store, meters), observed_driver(driver, meters), driver)
    before = await scraped(services, meters)
    assert before["fleet_devices", "bound"] == 6
    assert before["fleet_devices", "missing"] == 0
    assert (before["fleet_rooms", "same"], before["fleet_rooms", "differing"]) == (0, 2)
    assert before["fleet_changes_ended_total", "kept"] == 0
    writes = before["fleet_store_write_duration_seconds_count",]

    assert (await ended(services, (await begun(services, apply("foyer"))).id)).state == "kept"
    await hear_all(services, driver)
    after = await scraped(services, meters)
    assert (after["fleet_rooms", "same"], after["fleet_rooms", "differing"]) == (1, 1)
    assert after["fleet_changes_ended_total", "kept"] == 1
    assert after["fleet_changes_ended_total", "rolled back"] == 0
    assert sum(v for name, v in after.items() if name[0] == "fleet_changes_unfinished") == 0
    assert after["fleet_store_write_duration_seconds_count",] > writes
    assert after["fleet_store_write_duration_seconds_sum",] > 0
    assert (
        after["fleet_store_write_duration_seconds_bucket", "+Inf"] == after["fleet_store_write_duration_seconds_count",]
    )


async def test_a_device_that_goes_missing_shows_and_its_room_is_not_checked(store: Store, meters: Meters) -> None:
    driver = StagingDriver(boxes())
    services = await opened(observed_store(store, meters), observed_driver(driver, meters), driver)
    await ended(services, (await begun(services, apply("foyer"))).id)
    await hear_all(services, driver)
    assert (await scraped(services, meters))["fleet_rooms", "same"] == 1
    driver.devices["box-5"].online = False
    driver.touched("box-5")
    await hear_all(services, driver)
    found = await scraped(services, meters)
    assert (found["fleet_devices", "bound"], found["fleet_devices", "missing"]) == (5, 1)
    assert (found["fleet_rooms", "same"], found["fleet_rooms", "not checked"]) == (0, 1)


async def test_a_change_that_goes_on_is_unfinished(store: Store, meters: Meters) -> None:
    driver = StagingDriver(boxes())
    services = await opened(observed_store(store, meters), observed_driver(driver, meters), driver)
    plan = await services.changes.plan(apply())
    record = await services.changes.start(
        apply(), digest=plan.digest, who="ines", why="", allow=("rise", "half-room"), keep_within_s=60
    )
    await services.changes.wait(record.id, 30, or_trial=True)
    found = await scraped(services, meters)
    assert found["fleet_changes_unfinished", "on trial"] == 1
    await services.changes.cancel(record.id, "ines")
    await ended(services, record.id)
    found = await scraped(services, meters)
    assert found["fleet_changes_unfinished", "on trial"] == 0
    assert found["fleet_changes_ended_total", "rolled back"] == 1


class Reconnecting(StagingDriver):
    """Its link comes up, breaks, and comes up again twice."""

    async def events(self) -> AsyncIterator[Event]:
        for event in (LinkUp(), LinkDown(why="cut"), LinkUp(), LinkDown(why="cut"), LinkUp()):
            yield event


async def test_the_link_its_returns_and_the_census(store: Store, meters: Meters) -> None:
    services = await opened(store, observed_driver(Reconnecting(boxes()), meters), StagingDriver(boxes()))
    found = await scraped(services, meters)
    assert math.isnan(found["fleet_census_age_seconds",])
    assert found["fleet_broker_reconnects_total",] == 0
    heard = []
    async for event in services.driver.events():
        services.inventory.hear(event)
        heard.append((await scraped(services, meters))["fleet_link_up",])
    assert heard == [1, 0, 1, 0, 1]
    await services.driver.census()
    found = await scraped(services, meters)
    assert found["fleet_broker_reconnects_total",] == 2
    assert 0 <= found["fleet_census_age_seconds",] < 60


async def test_what_cannot_be_written_raises_and_is_timed_all_the_same(store: Store, meters: Meters) -> None:
    observed = observed_store(store, meters)
    services = await opened(observed, StagingDriver(boxes()))
    count = ("fleet_store_write_duration_seconds_count",)
    before = (await scraped(services, meters))[count]
    with pytest.raises(StoreTrouble):
        await observed.set_epoch(-1)
    assert (await scraped(services, meters))[count] == before + 1


async def test_every_call_that_writes_is_timed(store: Store) -> None:
    """A call that is added to the store has to begin like one that writes, or be known to read."""
    reading = {"epoch", "controller", "latest_version", "version", "versions", "devices", "sightings", "change"}
    reading |= {
        "walk",
        "walks",
        "changes",
        "unfinished",
        "entries",
        "holds",
        "snapshot",
        "snapshots",
        "damaged",
        "claim",
        "release",
        "swaps",
        "notices",
        "version_at",
        "standing",
        "first_version",
        "audit",
        "audit_above",
        "audit_head",
    }
    calls = {name for name in vars(Store) if not name.startswith("_")}
    assert {c for c in calls if not c.startswith(WRITING)} <= reading


async def test_names_follow_the_conventions(store: Store, meters: Meters) -> None:
    services = await opened(store, StagingDriver(boxes()))
    text = (await scrape(services, meters)).decode()
    for family in text_string_to_metric_families(text):
        assert family.documentation, family.name
        assert re.fullmatch(r"(fleet|process)_[a-z_]+", family.name)
        assert not re.search(r"_(ms|milliseconds|kb|mb|minutes|count|sum|bucket)$", family.name), family.name
    for own in ("process_resident_memory_bytes", "process_cpu_seconds_total", "process_open_fds", "fleet_build_info"):
        assert f"\n{own}" in text


async def test_the_token_opens_them_unless_they_are_open_to_all(store: Store, meters: Meters, tmp_path: Path) -> None:
    services = await opened(store, StagingDriver(boxes()))
    statuses = {}
    for open_metrics in (False, True):
        api = build_api(services, "s3cret", broker="mqtt://127.0.0.1:1883", root="loudspeakers/v1")
        add_upkeep(api, services, meters, home=tmp_path, settings=(), open_metrics=open_metrics)
        async with AsyncClient(transport=ASGITransport(app=api), base_url="http://127.0.0.1") as client:
            for token in ("", "wrong", "s3cret"):
                answer = await client.get("/metrics", headers={"Authorization": f"Bearer {token}"})
                statuses[open_metrics, token] = answer.status_code
                if answer.status_code == 200:
                    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
                    assert values(answer.text)["fleet_link_up",] == 1
            assert (await client.get("/v1/log")).status_code == 401, "only the metrics are open"
    assert statuses == {
        (False, ""): 401,
        (False, "wrong"): 401,
        (False, "s3cret"): 200,
        (True, ""): 200,
        (True, "wrong"): 200,
        (True, "s3cret"): 200,
    }
