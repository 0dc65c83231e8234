"""A position and a group on the page: wanted beside reported, curves read off by key and pointer, and blinking."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from fleet.model.settings import Band, DeviceSettings, OutputSettings
from tests.services.small_venue import box
from tests.web.browsing import PHONE, People, Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier, scene
from tests.web.page_scene import BOXES, FILES, HALL, Scene, a_scene

__all__ = ["auditor", "browsers", "integrator", "scene"]

HOSTILE = "R2 \u202eevil\u202c <img src=x onerror=alert(1)>"


def shelved(scene: Scene, device: str) -> None:
    """Somebody gives a box another equaliser."""
    one = scene.daemon.driver.devices[device]
    bands = (Band(shape="low_shelf", frequency_hz=100, gain_db=6, q=0.7),)
    one.live = DeviceSettings(outputs={1: OutputSettings(eq=bands)}).over(one.live)
    scene.daemon.touched(device)


def read_off(person: Person) -> str:
    return person.page.get_by_role("slider", name="Frequency").get_attribute("aria-valuetext") or ""


def test_what_is_wanted_stands_beside_what_is_reported(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -1.0)
    one = integrator.open("/rooms/weir-hall/positions/main-left")
    expect(one.page.get_by_role("heading", level=1)).to_have_text("main-left")
    expect(one.page.locator(".lead")).to_contain_text("Differs")
    level = one.page.get_by_role("row", name=re.compile("^level"))
    expect(level).to_contain_text("-6 dB")
    expect(level).to_contain_text("-1 dB")
    expect(level).to_contain_text("another")
    expect(one.page.get_by_role("row", name=re.compile("^delay"))).to_contain_text("not managed")
    one.sees("11 m to the front, 4.2 m to the left, 3.9 m up; 12.4 m away.")
    scene.turned("box-1", -6.0)
    expect(level).not_to_contain_text("another")
    no_barrier(one, "a position")


def test_the_curves_are_read_off_by_keys_and_by_pointer(scene: Scene, integrator: Person) -> None:
    shelved(scene, "box-2")
    one = integrator.open("/rooms/weir-hall/positions/main-right")
    slider = one.page.get_by_role("slider", name="Frequency")
    expect(slider).to_have_attribute("data-hz", "1000")
    for keys, hz in (("ArrowRight", 1259), ("PageUp", 2512), ("Shift+ArrowLeft", 2441), ("Home", 20), ("End", 19953)):
        slider.press(keys)
        expect(slider).to_have_attribute("data-hz", str(hz))
    slider.press("Home")
    assert read_off(one).replace("\u00a0", " ") == "20 Hz: wanted 0 dB, reported +6 dB, 6 dB too much"
    area = slider.bounding_box()
    assert area is not None
    slider.scroll_into_view_if_needed()
    slider.hover(position={"x": area["width"] * 0.7, "y": area["height"] / 2})
    found = int(slider.get_attribute("data-hz") or 0)
    assert 1500 < found < 4000
    expect(one.page.locator(".read")).to_contain_text("too little" if found < 1000 else "too much")
    one.sees("Furthest apart in the passband:")
    lines = "[...document.querySelectorAll('.plot-area .wanted, .plot-area .reported')]"
    dashes = one.page.evaluate(f"{lines}.map(line => getComputedStyle(line).strokeDasharray)")
    assert len(set(dashes)) == 2, "told apart without colour"
    one.page.get_by_text("The same as a table").click()
    expect(one.page.get_by_role("row", name=re.compile("^3.15.kHz"))).to_contain_text("too much")
    one.button("Whole chain").click()
    expect(one.button("Whole chain")).to_have_attribute("aria-pressed", "true")
    expect(slider).to_have_attribute("data-hz", str(found))
    no_barrier(one, "curves")


def test_what_has_no_curve_says_so(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/rooms/weir-hall/horn")
    expect(one.page.locator(".plot-said")).to_contain_text("There is no curve to draw.")
    expect(one.page.get_by_role("slider")).to_have_count(0)
    one.open("/rooms/foyer/positions/desk")
    one.sees("The EQ is not managed: nothing is wanted of it.")
    one.sees("No coordinates are given for it.")
    no_barrier(one, "a position without coordinates")


def test_a_group_shows_one_of_its_positions_among_the_others(scene: Scene, integrator: Person) -> None:
    shelved(scene, "box-2")
    one = integrator.open("/rooms/weir-hall/groups/mains")
    expect(one.page.locator(".plot-area .other")).to_have_count(1)
    one.page.locator(".choose", has_text="main-right").click()
    expect(one.page.locator(".choose", has_text="main-right")).to_have_attribute("aria-pressed", "true")
    expect(one.page.get_by_role("heading", level=2, name="main-right")).to_be_visible()
    no_barrier(one, "a group")
    one.page.get_by_role("link", name="Open main-right").click()
    expect(one.page.get_by_role("heading", level=1)).to_have_text("main-right")


def test_a_box_blinks_for_an_integrator_and_not_for_an_auditor(
    scene: Scene, integrator: Person, auditor: Person
) -> None:
    one = integrator.open("/rooms/weir-hall/positions/fill-left")
    one.button("Make it blink").click()
    one.sees("It blinks now.")
    assert scene.daemon.driver.devices["box-3"].identified_s == 10
    scene.daemon.driver.devices["box-3"].online = False
    one.button("Make it blink").click()
    expect(one.page.get_by_role("alert").first).to_contain_text(re.compile("box-3 did not answer", re.IGNORECASE))
    scene.daemon.driver.devices["box-3"].online = True
    other = auditor.open("/rooms/weir-hall/positions/fill-left")
    expect(other.page.get_by_role("slider")).to_be_visible()
    expect(other.button("Make it blink")).to_have_count(0)


def test_a_box_that_is_gone_leaves_the_wanted_curve(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url, viewport=PHONE).sign_in(scene.tokens["integrator"])
    one.open("/rooms/weir-hall/positions/balcony-bar")
    expect(one.page.locator(".plot-area path.reported")).to_have_count(1)
    scene.dies("box-6")
    expect(one.page.locator(".lead")).to_contain_text("Could not be checked")
    expect(one.page.locator(".plot-area path.reported")).to_have_count(0)
    expect(one.page.locator(".plot-said")).to_contain_text("No reported curve: box-6 is missing")
    expect(one.page.locator(".plot-area path.wanted")).to_have_count(1)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_hostile_names_are_only_text(tmp_path: Path, browsers: People, theme: str) -> None:
    hall = HALL.replace(
        "at_m: [0, -4.2, 5.1]}", f"at_m: [0, -4.2, 5.1], rack: {HOSTILE!r}, circuit: {'x' * 200!r}}}"
    ).replace("name: Weir Hall", "name: \"<script>document.title='owned'</script>\"")
    devices = [box(name, **({"model": HOSTILE} if name == "box-1" else {})) for name in BOXES]
    with a_scene(tmp_path / "home", {**FILES, "rooms/weir-hall.yaml": hall}, devices) as own:
        one = browsers.person(own.url, viewport=PHONE, theme=theme).sign_in(own.tokens["integrator"])  # type: ignore[arg-type]  # of both
        one.open("/rooms/weir-hall/positions/main-left")
        one.sees("<img src=x onerror=alert(1)>")
        expect(one.page.get_by_role("slider")).to_be_visible()
        assert one.page.locator("main img, main script").count() == 0
        assert "\u202e" not in one.page.locator("main").inner_text()
        assert "owned" not in one.page.title()
        assert (one.overflow(), one.axe()) == (0, [])
        one.open("/rooms/weir-hall/groups/mains")
        expect(one.page.get_by_role("slider")).to_be_visible()
        assert (one.overflow(), one.axe()) == (0, [])
