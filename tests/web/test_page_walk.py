"""The walk on a phone: answered by thumb, gone on with after reload and lost network, led by one screen at a time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from fleet.model.walk import Walk
from fleet.services import walk_beginning
from tests.services.small_venue import all_sound, box
from tests.web.browsing import NARROW, PHONE, People, Person
from tests.web.one_for_all import no_barrier
from tests.web.page_scene import BOXES, FILES, FOYER, HALL, VENUE, Scene, a_scene

LINE = "line: {volts: 100, loudspeakers: [{count: 6, tap_w: 10}], amplifier_w: 120}"
WIRED = FOYER.replace("desk: {device: box-7,", f"desk: {{device: box-7, {LINE},")


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    files = {**FILES, "rooms/foyer.yaml": WIRED}
    with a_scene(tmp_path_factory.mktemp("walks") / "home", files) as found:
        yield found


@pytest.fixture
def before(scene: Scene) -> Iterator[dict[str, Any]]:
    """How everything sounds. After a test all walks are ended, and it sounds so again."""
    sound = all_sound(scene.daemon.driver)
    yield sound
    walking = scene.daemon.services.walking
    for walk in scene.daemon.do(walking.walks()):
        scene.daemon.do(walking.end(walk.id, "ines"))
    assert all_sound(scene.daemon.driver) == sound


@pytest.fixture
def phone(scene: Scene, browsers: People) -> Person:
    return browsers.person(scene.url, viewport=PHONE).sign_in(scene.tokens["integrator"])


def begin(person: Person, room: str = "foyer", group: str = "") -> str:
    """Begin a walk and give its id."""
    page = person.open(f"/walk?room={room}").page
    if group:
        page.get_by_label("Positions").select_option(group)
    page.get_by_label("People are clear of the boxes").check()
    person.button("Begin the walk").click()
    expect(page.locator(".under-test h1")).to_be_visible()
    return page.url.rsplit("/", 1)[-1]


def answer(page: Page, place: str = "yes", source: str = "yes", sound: str = "yes", polarity: str = "yes") -> None:
    for name, given in (("place", place), ("source", source), ("sound", sound), ("polarity", polarity)):
        expect(page.locator("#walk-question")).to_have_text(f"Right {name}?")
        page.locator(f'.answer[data-answer="{given}"]').click()


def do(page: Page, what: str) -> None:
    page.locator(f'[data-do="{what}"]').click()


def at(page: Page, position: str) -> None:
    expect(page.locator(".under-test h1")).to_have_text(position)


def the_walk(scene: Scene, walk: str) -> Walk:
    return scene.daemon.do(scene.daemon.services.walking.walk(walk))


def heard_now(scene: Scene, *devices: str) -> list[str]:
    return [device for device in devices if not scene.muted(device)]


def test_nothing_begins_before_people_are_clear_and_the_level_is_one(
    scene: Scene, phone: Person, before: dict[str, Any]
) -> None:
    page = phone.open("/walk?room=foyer").page
    for caution in ("Keep people clear of the boxes", "Pause it before you go on", "A mute isolates nothing"):
        phone.sees(caution)
    phone.button("Begin the walk").click()
    phone.sees("Look first whether people are clear of the boxes.")
    expect(page.get_by_label("People are clear of the boxes")).to_be_focused()
    page.get_by_label("People are clear of the boxes").check()
    page.get_by_label("Highest level under test").fill("loud")
    phone.button("Begin the walk").click()
    phone.sees("Give the level as a number of dB")
    assert scene.daemon.do(scene.daemon.services.walking.walks()) == ()
    scene.daemon.do(scene.daemon.services.holds.hold("foyer", "2h", "otto"))
    page.get_by_label("Highest level under test").fill("-40,5")
    phone.button("Begin the walk").click()
    phone.sees("is on hold by otto")
    scene.daemon.do(scene.daemon.services.holds.release("foyer"))
    no_barrier(phone, "before a walk")


def test_a_whole_walk_with_a_measured_line_a_step_back_and_a_skip(
    scene: Scene, phone: Person, before: dict[str, Any]
) -> None:
    walk, page = begin(phone), phone.page
    at(page, "desk")
    phone.sees("1 of 2")
    phone.sees("Sounds at −30 dB")
    assert heard_now(scene, "box-7", "box-8") == ["box-7"]
    assert scene.level_db("box-7") == -30
    expect(page.get_by_role("timer")).to_contain_text("Goes back by itself in")
    answer(page, sound="no", polarity="not sure")
    page.get_by_text("Notes and measured values").click()
    page.get_by_label("Notes", exact=True).fill("rattles")
    page.get_by_label(re.compile("Line impedance")).fill("100")
    do(page, "next")
    phone.sees("Name the instrument that it was measured with.")
    page.get_by_label("Measured with").fill("impedance meter")
    page.get_by_label("Its serial number").fill("0412")
    do(page, "next")
    at(page, "door")
    assert heard_now(scene, "box-7", "box-8") == ["box-8"]
    do(page, "back")
    at(page, "desk")
    expect(page.locator(".given")).to_contain_text("Not sure")
    page.get_by_role("button", name="Right polarity?: Not sure. Change it.").click()
    page.locator('.answer[data-answer="yes"]').click()
    do(page, "next")
    at(page, "door")
    do(page, "skip")
    page.get_by_label("Why, in a few words").fill("behind the scaffold")
    do(page, "skip-yes")
    expect(page.locator("h1")).to_have_text("The walk is done.")
    phone.sees("All levels and mutes are as they were before.")
    phone.sees("right sound: no")
    phone.sees("40 % lower")
    phone.sees("skipped by integrator one: behind the scaffold")
    assert all_sound(scene.daemon.driver) == before
    (heard,) = the_walk(scene, walk).heard
    assert (heard.answers.polarity, heard.answers.notes, heard.answers.impedance_ohm) == ("yes", "rattles", 100)
    assert (heard.answers.instrument, heard.answers.instrument_serial) == ("impedance meter", "0412")
    assert heard.who == "integrator one"
    no_barrier(phone, "a walk at its end")


def test_it_goes_on_after_a_reload_with_open_answers_kept(scene: Scene, phone: Person, before: dict[str, Any]) -> None:
    walk, page = begin(phone, "weir-hall", "mains"), phone.page
    at(page, "main-left")
    phone.sees("11 m to the front, 4.2 m to the left, 3.9 m up")
    page.locator('.answer[data-answer="no"]').click()
    expect(page.locator("#walk-question")).to_have_text("Right source?")
    page.reload()
    at(page, "main-left")
    expect(page.locator("#walk-question")).to_have_text("Right source?")
    expect(page.get_by_role("button", name="Right place?: No. Change it.")).to_be_visible()
    assert the_walk(scene, walk).steps == 1, "a reload is no step"
    phone.open("/walk")
    phone.sees("from this screen")
    page.get_by_role("link", name="Open it").click()
    at(page, "main-left")
    no_barrier(phone, "a position under test")
    do(page, "pause")
    expect(page.locator("h1")).to_have_text("The walk is paused.")
    assert all_sound(scene.daemon.driver) == before
    do(page, "go-on")
    at(page, "main-left")
    page.get_by_role("button", name="Right place?: No. Change it.").click()
    for name in ("place", "source", "sound", "polarity"):
        expect(page.locator("#walk-question")).to_have_text(f"Right {name}?")
        page.locator('.answer[data-answer="yes"]').click()
    do(page, "next")
    at(page, "main-right")
    do(page, "all")
    expect(page.locator('[data-do="next"]')).to_have_text("Finish the walk")
    do(page, "next")
    expect(page.locator("h1")).to_have_text("The walk is done.")
    phone.sees("Nothing: every answer is yes.")


def test_a_network_that_is_cut_costs_no_answer_and_no_step(scene: Scene, phone: Person, before: dict[str, Any]) -> None:
    walk, page = begin(phone), phone.page
    page.context.set_offline(True)
    do(page, "all")
    expect(page.locator(".walk-away")).to_contain_text("No network")
    do(page, "next")
    expect(page.locator('[data-do="next"]')).to_be_visible()
    expect(page.locator(".walk-away")).to_contain_text("Your answers are kept on this screen.")
    assert the_walk(scene, walk).heard == ()
    page.context.set_offline(False)
    expect(page.locator(".walk-away")).to_be_empty()
    at(page, "desk")
    do(page, "next")
    at(page, "door")
    assert [h.step.position for h in the_walk(scene, walk).heard] == ["desk"]
    do(page, "pause")
    expect(page.locator("h1")).to_have_text("The walk is paused.")


def test_two_phones_lead_one_after_the_other_and_never_together(
    scene: Scene, phone: Person, browsers: People, before: dict[str, Any]
) -> None:
    other = browsers.person(scene.url, viewport=NARROW).sign_in(scene.tokens["integrator"])
    walk = begin(phone)
    other.open("/walk")
    other.sees("integrator one walks Foyer")
    other.page.get_by_label("People are clear of the boxes").check()
    other.page.get_by_label("Room", exact=True).select_option("foyer")
    other.button("Begin the walk").click()
    other.sees("is going on in foyer")
    other.open(f"/walk/{walk}")
    other.sees("integrator one leads this walk from another screen.")
    other.sees("Sounds now: desk")
    assert other.page.locator(".answer").count() == 0
    no_barrier(other, "a walk that another screen leads")
    other.button("Take it over").click()
    at(other.page, "desk")
    phone.sees("leads this walk from another screen.")
    assert phone.page.locator(".answer").count() == 0
    do(other.page, "all")
    do(other.page, "next")
    at(other.page, "door")
    phone.sees("Sounds now: door")
    do(other.page, "pause")
    expect(phone.page.locator("h1")).to_have_text("The walk is paused.")
    assert all_sound(scene.daemon.driver) == before


def test_what_nobody_goes_on_with_goes_back_by_itself_and_the_phone_says_so(
    scene: Scene, phone: Person, before: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(walk_beginning, "SHORTEST_STEP_S", 0.5)
    page = phone.page

    def shorter(route: Route) -> None:
        asked = route.request.post_data
        route.continue_(post_data=re.sub(r'"step_within_s":\d+', '"step_within_s":3', asked) if asked else None)

    page.route("**/v1/walks", shorter)
    begin(phone)
    expect(page.locator("h1")).to_have_text("The walk is paused.")
    phone.sees("desk went back")
    assert all_sound(scene.daemon.driver) == before


def test_a_box_that_cannot_be_made_ready_is_told_and_skipped(
    scene: Scene, phone: Person, before: dict[str, Any]
) -> None:
    box_8, page = scene.daemon.driver.devices["box-8"], phone.page
    epoch, box_8.epoch = box_8.epoch, 10**6
    page.goto(f"{phone.url}/walk?room=foyer")
    page.get_by_label("People are clear of the boxes").check()
    phone.button("Begin the walk").click()
    try:
        expect(page.locator("h1")).to_have_text("desk")
        phone.sees("It could not be made ready")
        phone.sees("could not be tried")
        no_barrier(phone, "a position that could not be made ready")
        do(page, "skip")
        expect(page.locator("h1")).to_have_text("door")
        phone.sees("could not be tried")
    finally:
        box_8.epoch = epoch
    do(page, "repeat")
    at(page, "door")
    do(page, "all")
    do(page, "next")
    expect(page.locator("h1")).to_have_text("The walk is done.")
    phone.sees("skipped by integrator one")
    do(page, "go-on")
    at(page, "desk")
    do(page, "pause")
    expect(page.locator("h1")).to_have_text("The walk is paused.")


def test_what_could_not_be_taken_back_is_told(tmp_path: Path, browsers: People) -> None:
    with a_scene(tmp_path / "home") as own:
        one = browsers.person(own.url, viewport=PHONE).sign_in(own.tokens["integrator"])
        begin(one)
        own.daemon.driver.devices["box-8"].epoch = 10**6
        do(one.page, "pause")
        one.sees("Not everything could be taken back.")
        one.sees("box-8")
        assert one.page.get_by_text("All levels and mutes are as they were").count() == 0
        expect(one.page.get_by_role("link", name="Open the change")).to_have_attribute("href", re.compile("/changes/"))


@pytest.mark.parametrize("role", ["operator", "auditor"])
def test_only_an_integrator_walks(scene: Scene, browsers: People, role: str, before: dict[str, Any]) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens[role])
    one.open("/walk")
    one.sees(f"This page is not for the role {role}.")
    assert one.page.get_by_role("link", name="Walk test").count() == 0


def test_hostile_names_are_only_text(tmp_path: Path, browsers: People) -> None:
    hall = HALL.replace("name: Weir Hall", 'name: "<img src=x onerror=alert(1)> \\u202e"')
    venue = VENUE.replace("Harbour House", "<b>House</b>")
    devices = [box(name, serial=f"<script>{name}</script>") for name in BOXES]
    with a_scene(tmp_path / "home", {**FILES, "venue.yaml": venue, "rooms/weir-hall.yaml": hall}, devices) as own:
        one = browsers.person(own.url, viewport=NARROW).sign_in(own.tokens["integrator"])
        begin(one, "weir-hall", "fills")
        do(one.page, "skip")
        one.page.get_by_label("Why, in a few words").fill("<script>document.title='owned'</script>\u202e")
        do(one.page, "skip-yes")
        at(one.page, "balcony-bar")
        one.page.get_by_text("Not walked so far").click()
        one.sees("<script>document.title='owned'</script>")
        do(one.page, "pause")
        expect(one.page.locator("h1")).to_have_text("The walk is paused.")
        assert one.page.locator("main img, main script").count() == 0
        assert "owned" not in one.page.title()
        assert "\u202e" not in one.page.locator("main").inner_text()
        assert (one.overflow(), one.axe()) == (0, [])


LOCKS = """
window.locks = [];
const locks = {
  async request(kind) {
    const lock = new EventTarget();
    Object.assign(lock, { kind, held: true, release: async () => { lock.held = false; } });
    window.locks.push(lock);
    return lock;
  },
};
Object.defineProperty(Navigator.prototype, "wakeLock", { configurable: true, get: () => locks });
"""
"""A browser whose locks of the screen can be counted."""
DARK = "This browser does not keep the screen on."


def locks(page: Page) -> list[str]:
    found: list[str] = page.evaluate("window.locks.map((lock) => `${lock.kind} ${lock.held ? 'held' : 'let go'}`)")
    return found


def test_the_screen_stays_on_as_long_as_a_walk_is_led_from_it(
    scene: Scene, phone: Person, before: dict[str, Any]
) -> None:
    page = phone.page
    page.add_init_script(LOCKS)
    begin(phone)
    at(page, "desk")
    page.wait_for_function("window.locks.length === 1")
    expect(page.get_by_text(DARK)).to_be_hidden()
    # A browser lets go by itself when the page is hidden, and is asked again when it is back.
    page.evaluate("window.locks[0].held = false; window.locks[0].dispatchEvent(new Event('release'))")
    expect(page.get_by_text(DARK)).to_be_visible()
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_function("window.locks.length === 2")
    expect(page.get_by_text(DARK)).to_be_hidden()
    assert locks(page) == ["screen let go", "screen held"]
    do(page, "pause")
    expect(page.get_by_role("heading", name="The walk is paused.")).to_be_visible()
    assert locks(page) == ["screen let go", "screen let go"]


@pytest.mark.parametrize(
    "without",
    [
        "Object.defineProperty(Navigator.prototype, 'wakeLock', { value: undefined })",
        "navigator.wakeLock.request = () => Promise.reject(new DOMException('low', 'NotAllowedError'))",
    ],
    ids=["has no locks", "refuses one"],
)
def test_where_a_browser_does_not_keep_the_screen_on_that_is_said(
    scene: Scene, phone: Person, before: dict[str, Any], without: str
) -> None:
    phone.page.add_init_script(without)
    begin(phone)
    at(phone.page, "desk")
    phone.sees(DARK)
