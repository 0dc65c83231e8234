"""An operator in a room: the recall, a dead box, level, mute, modes, a trial; with real changes on devices."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from fleet.services.holds import Holds
from tests.web.browsing import PHONE, People, Person
from tests.web.page_scene import Scene

RECALL = "Recall the house curve"


@pytest.fixture
def operator(scene: Scene, browsers: People) -> Person:
    return browsers.person(scene.url, viewport=PHONE).sign_in(scene.tokens["operator"]).open("/rooms/weir-hall")


def state_of(person: Person, position: str, state: str) -> None:
    expect(person.position(position).locator(".mark")).to_have_attribute("data-state", state)


def recalled(person: Person) -> None:
    person.button(RECALL).click()
    person.button("Yes, recall").click()


def begun(scene: Scene) -> list[str]:
    """The changes that somebody began at a page, first begun first."""
    records = reversed(scene.daemon.do(scene.daemon.services.changes.records()))
    return [f"{r.plan.kind} {r.state} {r.who}" for r in records if r.who != "ines"]


def test_a_recall_with_a_dead_box_goes_through_and_names_it(scene: Scene, operator: Person) -> None:
    scene.turned("box-1", -1.0)
    scene.dies("box-5")
    state_of(operator, "main-left", "differs")
    state_of(operator, "balcony", "away")
    expect(operator.position("balcony")).to_contain_text("last seen 14:00")
    operator.button(RECALL).click()
    asked = operator.page.get_by_role("dialog")
    expect(asked).to_contain_text("1 box changes:")
    expect(asked).to_contain_text("Nothing gets louder.")
    expect(asked).to_contain_text("balcony: box-5 is missing")
    operator.button("Yes, recall").click()
    result = operator.page.locator(".panel")
    expect(result).to_contain_text("Weir Hall has its house curve, but not everywhere.")
    expect(result).to_contain_text("1 box done, 1 left out.")
    expect(result.locator("li", has_text="main-left")).to_contain_text("done")
    expect(result.locator("li", has_text="balcony")).to_contain_text("box-5 is missing")
    expect(result).to_contain_text("Tell your integrator which box is named here.")
    assert scene.level_db("box-1") == -6.0
    state_of(operator, "main-left", "right")
    assert begun(scene)[-1] == "recall kept operator one"


def test_what_gets_louder_is_said_before_it_does(scene: Scene, operator: Person) -> None:
    scene.turned("box-1", -16.0)
    state_of(operator, "main-left", "serious")
    operator.button(RECALL).click()
    expect(operator.page.get_by_role("dialog")).to_contain_text(re.compile("Gets louder.*main-left.*10"))
    operator.page.keyboard.press("Escape")
    expect(operator.page.get_by_role("dialog")).to_have_count(0)
    assert scene.level_db("box-1") == -16.0, "Escape is no"
    expect(operator.button(RECALL)).to_be_focused()


def test_a_recall_of_what_is_right_has_nothing_to_do(scene: Scene, operator: Person) -> None:
    operator.button(RECALL).click()
    operator.sees("There is nothing to do: everything is as it should be.")
    expect(operator.button("Yes, recall")).to_have_count(0)


def test_all_of_it_works_by_the_keyboard_alone(scene: Scene, operator: Person) -> None:
    scene.turned("box-1", -1.0)
    state_of(operator, "main-left", "differs")
    operator.page.locator("body").focus()
    operator.page.keyboard.press("Tab")
    expect(operator.page.get_by_role("link", name="Skip to the content")).to_be_focused()
    operator.page.keyboard.press("Enter")
    for _ in range(12):
        operator.page.keyboard.press("Tab")
        if operator.button(RECALL).evaluate("node => node === document.activeElement"):
            break
    expect(operator.button(RECALL)).to_be_focused()
    operator.page.keyboard.press("Enter")
    expect(operator.page.get_by_role("dialog").get_by_role("heading", level=2)).to_be_focused()
    for _ in range(6):
        operator.page.keyboard.press("Tab")
        if operator.button("Yes, recall").evaluate("node => node === document.activeElement"):
            break
    operator.page.keyboard.press("Space")
    operator.sees("Weir Hall has its house curve.")
    expect(operator.button(RECALL)).to_be_focused()
    assert scene.level_db("box-1") == -6.0


def test_two_taps_begin_one_change(scene: Scene, operator: Person) -> None:
    scene.turned("box-1", -1.0)
    state_of(operator, "main-left", "differs")
    before = len(begun(scene))
    operator.page.evaluate("() => { const b = document.querySelector('button.big'); b.click(); b.click(); }")
    expect(operator.page.locator("dialog")).to_have_count(1)
    yes = "() => { const b = document.querySelector('dialog .primary'); b.click(); b.click(); }"
    operator.page.evaluate(yes)
    operator.sees("Weir Hall has its house curve.")
    assert len(begun(scene)) == before + 1


def test_the_level_moves_within_its_range_and_says_where_it_ends(scene: Scene, operator: Person) -> None:
    expect(operator.page.locator(".level-now")).to_have_text("Now −8\u00a0dB.")
    operator.sees("It may go from −20\u00a0dB to −8\u00a0dB. 4 positions move together.")
    expect(operator.button("Louder")).to_be_disabled()
    operator.sees("This is as loud as the range allows.")
    operator.button("Softer by 2 dB").click()
    expect(operator.page.locator(".level-now")).to_have_text("Now −10\u00a0dB.")
    operator.sees("The level is set.")
    assert {scene.level_db(f"box-{n}") for n in (3, 4, 5, 6)} == {-10.0}
    assert scene.level_db("box-1") == -6.0, "what has no range stays"
    operator.button("Louder by 2 dB").click()
    expect(operator.page.locator(".level-now")).to_have_text("Now −8\u00a0dB.")
    operator.sees("as it should be")


def test_a_level_outside_of_its_range_moves_nothing_and_says_what_brings_it_back(
    scene: Scene, operator: Person
) -> None:
    scene.turned("box-3", -30.0)
    state_of(operator, "fill-left", "serious")
    operator.sees("fill-left is at −30\u00a0dB, outside of its range. Recall the house curve: that brings it back")
    for button in (operator.button("Louder"), operator.button("Softer")):
        expect(button).to_be_disabled()
    expect(operator.page.locator("#level-why")).not_to_contain_text("as the range allows")


def test_a_mute_is_made_and_undone(scene: Scene, operator: Person) -> None:
    operator.button("Mute the room").click()
    operator.sees("The room is muted.")
    assert scene.muted("box-1")
    assert not scene.muted("box-9"), "life safety is left alone"
    operator.button("Undo the mute").click()
    expect(operator.button("Mute the room")).to_be_enabled()
    assert not scene.muted("box-1")


def test_a_mode_is_chosen_by_its_button(scene: Scene, browsers: People, operator: Person) -> None:
    expect(operator.button("House · now")).to_have_attribute("aria-pressed", "true")
    operator.button("Speech").click()
    expect(operator.page.get_by_role("dialog")).to_contain_text("Bring Weir Hall into Speech?")
    operator.button("Yes, to Speech").click()
    operator.sees("Weir Hall is in Speech.")
    expect(operator.button("Speech · now")).to_have_attribute("aria-pressed", "true")
    operator.sees("in mode speech since")
    assert scene.level_db("box-5") == -14.0


@pytest.mark.parametrize(("answer", "level_db"), [("Keep it", -6.0), ("Undo it now", -1.0)])
def test_a_trial_counts_down_and_is_kept_or_undone(
    scene: Scene, operator: Person, answer: str, level_db: float
) -> None:
    scene.turned("box-1", -1.0)
    state_of(operator, "main-left", "differs")
    operator.button(RECALL).click()
    operator.button("Try it for 2 minutes").click()
    expect(operator.page.get_by_role("timer")).to_have_text(re.compile(r"Goes back by itself in (2:00|1:5\d)\."))
    expect(operator.button(RECALL)).to_be_disabled()
    assert scene.level_db("box-1") == -6.0
    operator.button(answer).click()
    expect(operator.button("Close this")).to_be_visible()
    assert scene.level_db("box-1") == level_db


def test_two_browsers_see_one_change_and_either_answers_it(scene: Scene, browsers: People, operator: Person) -> None:
    other = browsers.person(scene.url).sign_in(scene.tokens["integrator"]).open("/rooms/weir-hall")
    scene.turned("box-1", -1.0)
    for one in (operator, other):
        state_of(one, "main-left", "differs")
        one.button(RECALL).click()
        expect(one.button("Yes, recall")).to_be_visible()
    before = len(begun(scene))
    operator.button("Try it for 2 minutes").click()
    expect(operator.page.get_by_role("timer")).to_be_visible()
    other.button("Yes, recall").click()
    expect(other.page.get_by_role("timer")).to_be_visible()
    other.sees("operator one")
    assert len(begun(scene)) == before + 1, "the second began nothing"
    other.button("Keep it").click()
    for one in (operator, other):
        expect(one.page.locator(".panel")).to_contain_text("Weir Hall has its house curve.")
    assert begun(scene)[-1] == "recall kept operator one"


def test_the_plan_that_moved_is_shown_anew(scene: Scene, operator: Person) -> None:
    scene.turned("box-1", -1.0)
    state_of(operator, "main-left", "differs")
    operator.button(RECALL).click()
    expect(operator.button("Yes, recall")).to_be_visible()
    scene.turned("box-2", -3.0)
    operator.button("Yes, recall").click()
    expect(operator.page.get_by_role("dialog")).to_contain_text("Something moved while you looked.")
    expect(operator.page.get_by_role("dialog")).to_contain_text("2 boxes change:")
    operator.button("Yes, recall").click()
    operator.sees("Weir Hall has its house curve.")


def test_a_room_on_hold_says_so_and_cannot_be_recalled(scene: Scene, operator: Person) -> None:
    holds: Holds = scene.daemon.services.holds
    scene.daemon.do(holds.hold("weir-hall", "2h", "ines", "a show"))
    scene.turned("box-1", -16.0)
    state_of(operator, "main-left", "serious")
    expect(operator.page.locator(".facts")).to_contain_text("on hold by ines until")
    operator.button(RECALL).click()
    expect(operator.page.get_by_role("dialog")).to_contain_text("This cannot be done from here:")
    expect(operator.button("Yes, recall")).to_have_count(0)
    operator.page.get_by_role("dialog").get_by_role("button", name="Close").click()
    assert scene.level_db("box-1") == -16.0


def test_the_plan_has_every_position_where_its_coordinates_put_it(scene: Scene, operator: Person) -> None:
    plan = operator.page.get_by_role("group", name="Plan of Weir Hall, seen from above")
    link = plan.get_by_role("link", name="main-left: as it should be, at 0 m, −4.2 m, 5.1 m high")
    other = plan.get_by_role("link", name="fill-right: as it should be, at 8 m, 5.4 m, 3.2 m high")
    boxes = [one.locator("rect").bounding_box() for one in (link, other)]
    assert all(boxes)
    (left, right) = ((b["x"], b["y"]) for b in boxes if b is not None)
    ratio = (right[0] - left[0]) / (right[1] - left[1])
    assert ratio == pytest.approx((5.4 + 4.2) / 8, rel=0.02), "a metre is as long across as down"
    assert all(b is not None and b["width"] >= 44 for b in boxes), "large enough for a thumb"
    expect(plan.get_by_label("listening point")).to_be_visible()
    operator.open("/rooms/foyer").sees("No coordinates are given for this room")


def test_an_integrator_reads_what_is_wanted_and_what_is_reported(scene: Scene, browsers: People) -> None:
    one = browsers.person(scene.url).sign_in(scene.tokens["integrator"]).open("/rooms/weir-hall")
    scene.turned("box-1", -1.0)
    row = one.page.locator("#wanted tr", has_text="main-left")
    expect(row).to_contain_text("-6 dB")
    expect(row).to_contain_text("reported: -1 dB")
    expect(one.page.get_by_role("link", name="Differences of this room")).to_have_attribute(
        "href", "/differences?room=weir-hall"
    )


def test_the_safety_line_is_in_sight_wherever_one_has_scrolled(scene: Scene, operator: Person) -> None:
    line = operator.page.get_by_text("The emergency system has priority. If it is too loud, turn down or call.")
    for share in (0, 0.5, 1):
        operator.page.evaluate("share => scrollTo(0, share * document.body.scrollHeight)", share)
        expect(line).to_be_in_viewport(ratio=1)
