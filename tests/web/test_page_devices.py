"""Devices on the page: filters that live in the address, one in full, blinking, accepting, and hostile names."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from fleet.model.description import Description
from tests.services.small_venue import box
from tests.web.browsing import NARROW, People, Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier
from tests.web.page_scene import BOXES, FILES, HALL, Scene, a_scene

__all__ = ["auditor", "browsers", "integrator"]

CODE = "<script>document.title='owned'</script><img src=x onerror=alert(1)>"
TURNED = "1.4 \u202e 0.0.2 \u2066\u200f=cmd"


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """One box with a hostile model and firmware, and two positions with references."""
    devices = [box(name) for name in BOXES if name != "box-4"]
    devices.append(box("box-4", model=CODE, firmware=TURNED, inputs=["network", "y" * 60]))
    hall = HALL.replace(
        "main-left:   {device: box-1,", "main-left:   {device: box-1, circuit: C-12, switch_port: sw-1/4,"
    )
    with a_scene(tmp_path_factory.mktemp("scene") / "home", {**FILES, "rooms/weir-hall.yaml": hall}, devices) as found:
        yield found


def rows(person: Person) -> list[str]:
    return person.page.locator("tbody th").all_inner_texts()


def test_the_inventory_says_of_each_device_how_it_is_and_where_it_serves(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/devices")
    expect(one.page.locator("tbody tr")).to_have_count(len(BOXES))
    there = one.page.get_by_role("row", name=re.compile(r"\bbox-1\b"))
    for words in ("bound", "Brae 10", "1.4.0", "weir-hall/main-left", "2031-05-17 14:00"):
        expect(there).to_contain_text(words)
    expect(one.page.get_by_role("row", name=re.compile("box-9"))).to_contain_text("life safety")
    no_barrier(one, "devices")


def test_filters_live_in_the_address(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/devices")
    one.page.get_by_text("Filter", exact=True).click()
    no_barrier(one, "filters")
    one.page.get_by_label("Room").select_option("foyer")
    one.button("Show").click()
    expect(one.page).to_have_url(re.compile(r"/devices\?room=foyer$"))
    expect(one.page.locator("tbody tr")).to_have_count(2)
    for query, found in {
        "circuit=C-12": ["box-1"],
        "switch_port=sw-1%2F4": ["box-1"],
        "model=brae+10&room=weir-hall&status=bound": ["box-1", "box-2", "box-3", "box-5", "box-6", "box-9"],
        "firmware=9.9": [],
        "status=missing": [],
        "not_bound=true": [],
    }.items():
        one.open(f"/devices?{query}")
        assert rows(one) == found, query
    one.sees("No device is like that.")
    one.page.get_by_role("link", name="All devices").click()
    expect(one.page.locator("tbody tr")).to_have_count(len(BOXES))


def test_a_device_that_falls_silent_is_said_at_once(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/devices?room=foyer")
    there = one.page.get_by_role("row", name=re.compile("box-8"))
    expect(there).to_contain_text("bound")
    there.get_by_role("link").focus()
    scene.dies("box-8")
    expect(there).to_contain_text("missing")
    expect(there.get_by_role("link")).to_be_focused()
    scene.daemon.driver.devices["box-8"].online = True
    scene.daemon.touched("box-8")
    expect(there).to_contain_text("bound")


def test_one_device_is_told_in_full_and_in_words(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/devices/box-1")
    for words in ("SN-box-1", "C-12", "sw-1/4", "60 Hz to 18000 Hz", "10 bands of EQ", "bell 2.5 kHz −4\u00a0dB Q 1.4"):
        one.sees(words)
    slots = one.page.get_by_role("table", name="Preset slots")
    expect(slots.get_by_role("row", name=re.compile("^5 "))).to_contain_text("active")
    expect(one.page.get_by_role("table", name="Changes that touched it")).to_contain_text("Apply weir-hall")
    no_barrier(one, "a device")
    scene.turned("box-1", -17.0)
    one.sees("−17")
    expect(one.page.locator(".lead")).to_contain_text("edited")
    scene.turned("box-1", -6.0)


def test_a_device_blinks_when_asked(scene: Scene, integrator: Person, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    async def identify(description: Description, seconds: int) -> None:
        asked.append((description.id, seconds))

    monkeypatch.setattr(scene.daemon.driver, "identify", identify)
    one = integrator.open("/devices/box-2")
    one.button("Let it blink").click()
    one.sees("It blinks for 10 seconds.")
    assert asked == [("box-2", 10)]


def test_a_conflict_explains_itself_before_it_is_accepted(scene: Scene, integrator: Person, auditor: Person) -> None:
    device = scene.daemon.driver.devices["box-3"]
    device.description = replace(device.description, serial="SN-other", mac="02:00:00:00:00:07")
    device.boot_count += 1
    scene.daemon.touched("box-3")
    auditor.open("/devices/box-3")
    expect(auditor.page.locator(".panel")).to_contain_text("Not sure which device this is")
    expect(auditor.page.locator(".panel")).to_contain_text("Only an integrator can do this.")
    expect(auditor.button("Let it blink")).to_have_count(0)
    one = integrator.open("/devices/box-3")
    expect(one.page.locator(".lead")).to_contain_text("conflicting")
    no_barrier(one, "a conflict")
    one.button("Accept this device…").click()
    dialog = one.page.get_by_role("dialog", name="Accept this device?")
    expect(dialog).to_contain_text("SN-other")
    expect(dialog).to_contain_text("compare the serial on its label")
    no_barrier(one, "accepting")
    one.page.keyboard.press("Escape")
    expect(dialog).to_have_count(0)
    expect(one.page.locator(".lead")).to_contain_text("conflicting")
    one.button("Accept this device…").click()
    one.button("Yes, it is the right one").click()
    expect(one.page.locator(".lead")).to_contain_text("bound")
    expect(auditor.page.locator(".lead")).to_contain_text("bound")


def test_hostile_names_are_text_and_stay_in_their_place(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url, viewport=NARROW).sign_in(scene.tokens["integrator"])
    for path in ("/devices", "/devices/box-4", "/differences?all=1", "/changes"):
        one.open(path)
        expect(one.page.locator("main table").first).to_be_visible()
        assert one.page.evaluate("document.querySelectorAll('main script, main img').length") == 0, path
        assert "\u202e" not in one.page.content(), path
        assert one.page.title() != "owned", path
        assert one.overflow() == 0, path
    one.open("/devices/box-4")
    one.sees("<script>document.title=")
    assert one.axe() == []
    one.open(f"/devices/{'%3Cimg%20src=x%3E'}")
    one.sees("There is nothing by this name.")
