"""The page is live: what happens is shown without asking, and a cut stream is told, and taken up again."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.web.browsing import People, Person
from tests.web.cut_line import a_line
from tests.web.page_scene import Scene

LOST = re.compile(r"Not live since \d\d:\d\d\. What is shown here is from then")


def test_rooms_change_under_ones_eyes(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens["operator"])
    one.sees("Every room is as it should be.")
    link = one.page.get_by_role("link", name="Weir Hall")
    link.focus()
    scene.turned("box-1", -1.0)
    one.sees("1 of 2 rooms is as it should be.")
    expect(link).to_contain_text("1 position differs")
    expect(link).to_be_focused()
    expect(one.page.locator("#said")).to_contain_text("Weir Hall: 1 position differs")
    scene.turned("box-1", -6.0)
    one.sees("Every room is as it should be.")


def test_a_stream_that_is_cut_is_told_and_resumed(scene: Scene, browsers: People) -> None:
    with a_line(scene.url) as line:
        one = browsers.person(line.url).sign_in(scene.tokens["operator"]).open("/rooms/weir-hall")
        expect(one.button("Recall the house curve")).to_be_enabled()
        line.cut()
        expect(one.page.locator("#banner")).to_have_text(LOST)
        expect(one.page.locator(".as-of")).to_have_text(re.compile(r"as of \d\d:\d\d"))
        expect(one.button("Recall the house curve")).to_be_disabled()
        scene.turned("box-1", -1.0)
        line.mend()
        expect(one.page.locator("#banner")).to_be_empty()
        expect(one.position("main-left").locator(".mark")).to_have_attribute("data-state", "differs")
        expect(one.button("Recall the house curve")).to_be_enabled()
        expect(one.page.locator(".as-of")).to_be_empty()
    line_was_cut(one)


def test_a_change_goes_on_while_the_line_is_cut_and_its_end_is_shown(scene: Scene, browsers: People) -> None:
    with a_line(scene.url) as line:
        one = browsers.person(line.url).sign_in(scene.tokens["operator"]).open("/rooms/weir-hall")
        scene.turned("box-1", -1.0)
        expect(one.position("main-left").locator(".mark")).to_have_attribute("data-state", "differs")
        one.button("Recall the house curve").click()
        one.button("Try it for 2 minutes").click()
        expect(one.page.get_by_role("timer")).to_be_visible()
        line.cut()
        expect(one.page.locator("#banner")).to_have_text(LOST)
        changes = scene.daemon.services.changes
        [running] = changes.in_progress("weir-hall")
        scene.daemon.do(changes.keep(running.id))
        line.mend()
        one.sees("Weir Hall has its house curve.")
    line_was_cut(one)


def test_a_browser_that_is_signed_out_elsewhere_says_so_by_itself(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens["operator"]).open("/rooms/weir-hall")
    scene.daemon.do(scene.daemon.services.access_sessions.end_all())
    expect(one.page.get_by_label("Token")).to_be_visible()
    one.sees("You were signed out")
    expect(one.page.locator("#banner")).to_be_empty()


def test_a_page_that_is_opened_while_the_line_is_cut_says_so_and_comes_when_it_is_mended(
    scene: Scene, browsers: People
) -> None:
    with a_line(scene.url) as line:
        one = browsers.person(line.url).sign_in(scene.tokens["integrator"])
        line.cut()
        expect(one.page.locator("#banner")).to_have_text(LOST)
        one.page.get_by_role("link", name="Devices").click()
        one.sees("The daemon does not answer")
        one.button("Try again").click()
        one.sees("The daemon does not answer")
        line.mend()
        expect(one.page.get_by_role("heading", name="Devices", level=1)).to_be_visible()
        expect(one.page.locator("#banner")).to_be_empty()
    line_was_cut(one)


@pytest.mark.parametrize(
    ("role", "told"),
    [
        ("operator", "The slots do not hold it. Ask your integrator."),
        ("integrator", "The slots do not hold it: `fleet store hall` stores them again."),
    ],
)
def test_only_an_integrator_is_told_which_command_to_type(scene: Scene, browsers: People, role: str, told: str) -> None:
    one = browsers.person(scene.url).open("/")
    words = "the slots do not hold it: `fleet store hall` stores them again"
    said = "async ([role, words]) => (await import('/web/api.js')).sentenceFor(role, words)"
    assert one.page.evaluate(said, [role, words]) == told


def line_was_cut(one: Person) -> None:
    """A browser that cannot connect says so at its console; nothing else may be wrong."""
    one.wrong[:] = [w for w in one.wrong if "ERR_" not in w]
