"""Routes of positions: responses against filters computed independently, what is not managed, missing, not known."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient

from fleet.drivers.memory import MemoryDevice
from fleet.drivers.protocol import WentOffline
from fleet.faces.api.app import build_api
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings
from tests.end_to_end.independent_filters import FLOOR_DB, crossover_sections, db, device_q, eq_sections, response
from tests.services.small_venue import HALL, VENUE, StagingDriver, box, hear_all, opened, store_at

TOKEN = "a-token-of-the-tests"
PLACES = """\
format: 1
room: weir-hall
name: Weir Hall
listen_at_m: [12, 1, 1.2]
curves:
  warm:
    - {shape: low_shelf, frequency_hz: 120, gain_db: 3, q: 0.7}
    - {shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}
house_curve: {curve: warm}
groups:
  mains: {level_db: -6, high_pass: {family: linkwitz_riley, slope_db_per_octave: 24, frequency_hz: 90}}
positions:
  main-10: {device: box-1, groups: [mains], at_m: [0, -4, 5.2], circuit: F7, rack: <b>R2</b>}
  main-2:  {device: box-2, groups: [mains]}
  free:    {device: box-3}
  span:    {device: box-4, level_db: {between: [-20, -10]}}
  new:     {device: box-5, level_db: -3}
  horn:    {device: box-9, life_safety: true}
"""
WARM: Sequence[dict[str, Any]] = (
    {"shape": "low_shelf", "frequency_hz": 120, "gain_db": 3, "q": 0.7},
    {"shape": "bell", "frequency_hz": 2500, "gain_db": -4, "q": 1.4},
)
LR24_90 = {"family": "linkwitz_riley", "slope_db_per_octave": 24, "frequency_hz": 90}

Get = Callable[..., Any]
Opened = Callable[..., AbstractAsyncContextManager[tuple[Get, StagingDriver]]]


@pytest.fixture
def api(tmp_path: Path) -> Opened:
    """The routes over these devices and this room file, all told."""

    @asynccontextmanager
    async def over(devices: Sequence[MemoryDevice], hall: str = PLACES) -> AsyncIterator[tuple[Get, StagingDriver]]:
        async with store_at(tmp_path) as store:
            driver = StagingDriver(devices)
            services = await opened(store, driver)
            await services.desired.load({"venue.yaml": VENUE, "rooms/weir-hall.yaml": hall}, "ines", allow=["smaller"])
            await hear_all(services, driver)
            app = build_api(services, TOKEN, broker="mqtt://127.0.0.1:1883", root="loudspeakers/v1")
            transport = ASGITransport(app, raise_app_exceptions=False)
            signed = {"Authorization": f"Bearer {TOKEN}"}

            async def get(path: str, status: int = 200, **query: Any) -> Any:
                answer = await client.get(f"/v1/rooms/weir-hall/{path}", params=query)
                assert answer.status_code == status, answer.text
                return answer.json()

            async with AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=signed) as client:
                get.services = services  # type: ignore[attr-defined]  # to set a scene with
                yield get, driver
            await services.close()

    return over


def boxes(**other: dict[str, Any]) -> list[MemoryDevice]:
    """Those that have told what they are; box-5 is none of them."""
    return [
        box(name, **other.get(name.replace("-", "_"), {})) for name in ("box-1", "box-2", "box-3", "box-4", "box-9")
    ]


def only(document: dict[str, Any], position: str) -> dict[str, Any]:
    return next(one for one in document["positions"] if one["position"] == position)


def gains_db(
    sections: Sequence[Any], frequencies_hz: Sequence[float], rate_hz: float, level_db: float = 0
) -> list[float]:
    return [max(db(response(sections, hz, rate_hz)), FLOOR_DB) + level_db for hz in frequencies_hz]


def near(found: Sequence[float | None], expected: Sequence[float]) -> bool:
    """To half of the hundredth that they are rounded to."""
    return list(found) == pytest.approx(list(expected), abs=0.00501)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
async def test_curves_are_those_of_filters_computed_another_way_at_the_rate_of_the_device(
    api: Opened, rate_hz: int
) -> None:
    devices = boxes(box_1={"sample_rate_hz": rate_hz})
    devices[0].live = DeviceSettings(
        outputs={
            1: OutputSettings(
                level_db=-9.5,
                eq=(Band(shape="high_shelf", frequency_hz=8000, gain_db=6, q=0.7),),
                low_pass=Crossover(family="butterworth", slope_db_per_octave=12, frequency_hz=9000),
            )
        }
    ).over(devices[0].live)
    async with api(devices) as (get, _):
        document = await get("responses", position="main-10")
    assert (document["format"], document["floor_db"]) == ("fleet-responses/1", -40)
    hz = document["frequencies_hz"]
    assert (len(hz), hz[136]) == (241, 1000), "R80 with 1 kHz on it"
    one = only(document, "main-10")
    assert (one["sample_rate_hz"], one["passband_hz"]) == (rate_hz, [60, 18000])
    eq = eq_sections(WARM, rate_hz, "cookbook")
    assert near(one["wanted_eq_db"], gains_db(eq, hz, rate_hz))
    high_pass = crossover_sections("high_pass", LR24_90, rate_hz)
    low_pass = crossover_sections(
        "low_pass", {"family": "butterworth", "slope_db_per_octave": 12, "frequency_hz": 9000}, rate_hz
    )
    assert one["not_managed"] == ["low_pass"]
    wanted = gains_db([*eq, *high_pass, *low_pass], hz, rate_hz, level_db=-6)
    assert near(one["wanted_chain_db"], wanted), "what is not managed counts as it is reported"
    shelf = eq_sections([{"shape": "high_shelf", "frequency_hz": 8000, "gain_db": 6, "q": 0.7}], rate_hz, "cookbook")
    assert near(one["reported_eq_db"], gains_db(shelf, hz, rate_hz))
    assert near(one["reported_chain_db"], gains_db([*shelf, *low_pass], hz, rate_hz, level_db=-9.5))
    assert not near(one["wanted_eq_db"], gains_db(eq_sections(WARM, 2 * rate_hz, "cookbook"), hz, 2 * rate_hz))


async def test_the_wanted_curve_is_what_the_device_can_hold_in_its_own_count_of_q(api: Opened) -> None:
    async with api(boxes(box_1={"q_convention": "constant_q"})) as (get, _):
        document = await get("responses", position="main-10")
    held = [{**band, "q": round(device_q(band["q"], band["gain_db"], band["shape"], "constant_q"), 2)} for band in WARM]
    hz = document["frequencies_hz"]
    assert near(
        only(document, "main-10")["wanted_eq_db"], gains_db(eq_sections(held, 48_000, "constant_q"), hz, 48_000)
    )


async def test_a_rate_that_does_not_reach_a_frequency_has_no_gain_there(api: Opened) -> None:
    async with api(boxes(box_1={"sample_rate_hz": 32_000})) as (get, _):
        document = await get("responses", group="mains")
    assert [one["position"] for one in document["positions"]] == ["main-2", "main-10"], "as people count them"
    slow = only(document, "main-10")["wanted_eq_db"]
    reached = [hz for hz, gain in zip(document["frequencies_hz"], slow, strict=True) if gain is not None]
    assert 15_000 < max(reached) < 16_000
    assert None not in only(document, "main-2")["wanted_eq_db"]


@pytest.mark.parametrize(("density", "count"), [(80, 241), (40, 121), (20, 61), (10, 31)])
async def test_a_thinner_grid_is_part_of_the_whole_one(api: Opened, density: int, count: int) -> None:
    async with api(boxes()) as (get, _):
        whole = await get("responses", position="main-2")
        thin = await get("responses", position="main-2", points_per_decade=density)
        await get("responses", 422, position="main-2", points_per_decade=79)
    assert len(thin["frequencies_hz"]) == count
    assert 1000 in thin["frequencies_hz"]
    full = dict(zip(whole["frequencies_hz"], only(whole, "main-2")["wanted_chain_db"], strict=True))
    found = zip(thin["frequencies_hz"], only(thin, "main-2")["wanted_chain_db"], strict=True)
    assert all(full[hz] == gain for hz, gain in found)


async def test_what_is_not_wanted_not_read_or_not_ours_is_said(api: Opened) -> None:
    flat = HALL.replace("house_curve: {curve: warm, slot: 5}\n", "").replace("defaults: {mute: false}\n", "")
    flat = flat.replace("fills: {level_db: -12}", "fills: {}")
    async with api(boxes(), flat) as (get, driver):
        document = await get("responses")
        fill = only(document, "fill")
        assert (fill["wanted_eq_db"], fill["wanted_chain_db"]) == (None, None)
        assert fill["why_not_wanted"] == "nothing of it is managed"
        assert set(fill["reported_eq_db"]) == {0}
        left = only(document, "main-left")
        assert (left["wanted_eq_db"], left["not_managed"]) == (None, ["eq", "high_pass", "low_pass"])
        assert set(left["wanted_chain_db"]) == {-6}
        horn = only(document, "horn")
        assert horn["reported_chain_db"] is None
        assert horn["why_not_reported"] == "life safety: left alone"
        driver.devices["box-1"].online = False
        get.services.inventory.hear(WentOffline(device="box-1"))  # type: ignore[attr-defined]  # see above
        gone = only(await get("responses", position="main-left"), "main-left")
        assert (gone["reported_chain_db"], set(gone["wanted_chain_db"])) == (None, {-6})
        assert "box-1 is missing; last seen" in gone["why_not_reported"]


async def test_a_device_that_nobody_saw_has_no_curves(api: Opened) -> None:
    async with api(boxes()) as (get, _):
        new = only(await get("responses", position="new"), "new")
        assert (new["wanted_chain_db"], new["sample_rate_hz"]) == (None, None)
        assert new["why_not_wanted"] == "box-5 has not told what it is"
        assert new["why_not_reported"] == "box-5 was never seen"
        one = await get("positions/new")
    assert (one["state"], one["device"]["status"], one["device"]["last_seen"]) == ("away", "missing", None)


@pytest.mark.parametrize(("reported_db", "wanted_db"), [(-25, -20), (-15, -15), (-3, -10)])
async def test_a_level_with_a_range_is_wanted_at_its_nearest_end(
    api: Opened, reported_db: float, wanted_db: float
) -> None:
    devices = boxes()
    devices[3].live = DeviceSettings(outputs={1: OutputSettings(level_db=reported_db)}).over(devices[3].live)
    async with api(devices, PLACES.replace("house_curve: {curve: warm}\n", "")) as (get, _):
        span = only(await get("responses", position="span"), "span")
    assert set(span["wanted_chain_db"]) == {wanted_db}
    assert set(span["reported_chain_db"]) == {reported_db}
    assert "level_db" not in span["not_managed"]


async def test_what_cannot_be_asked_for_is_told(api: Opened) -> None:
    async with api(boxes()) as (get, _):
        assert "a group and a position" in (await get("responses", 422, group="mains", position="new"))["detail"]
        assert "no position 'attic'" in (await get("responses", 404, position="attic"))["detail"]
        assert "no group 'attic'" in (await get("responses", 404, group="attic"))["detail"]
        assert "no position 'attic'" in (await get("positions/attic", 404))["detail"]


async def test_a_position_is_told_with_where_it_is_what_it_is_called_and_what_differs(api: Opened) -> None:
    async with api(boxes()) as (get, _):
        one = await get("positions/main-10")
        other = await get("positions/main-2")
    assert one["format"] == "fleet-position/1"
    where = one["whereabouts"]
    assert (where["ahead_m"], where["right_m"], where["above_m"]) == (12, -5, pytest.approx(4))
    assert where["distance_m"] == pytest.approx((12**2 + 5**2 + 4**2) ** 0.5)
    assert one["plan"] == {"listen_at_m": [12, 1, 1.2], "positions": [{"position": "main-10", "at_m": [0, -4, 5.2]}]}
    assert one["references"] == {"rack": "<b>R2</b>", "circuit": "F7"}
    assert (one["device"]["id"], one["device"]["serial"], one["device"]["sample_rate_hz"]) == (
        "box-1",
        "SN-box-1",
        48000,
    )
    lines = {line["setting"]: line for line in one["settings"]}
    assert (lines["level_db"]["wanted"], lines["level_db"]["reported"]) == ("-6 dB", "-6 dB")
    assert lines["polarity"]["wanted"] == "not managed"
    assert {d["setting"] for d in one["differences"]} == {"eq", "high_pass"}
    assert one["state"] == "serious"
    assert (other["at_m"], other["whereabouts"]) == (None, None)
    assert len(other["plan"]["positions"]) == 1


async def test_a_room_without_coordinates_has_no_plan(api: Opened) -> None:
    async with api(boxes(), HALL) as (get, _):
        one = await get("positions/main-left")
    assert (one["whereabouts"], one["plan"]) == (None, {"listen_at_m": None, "positions": []})
