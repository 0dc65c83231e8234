"""Differences on the page: graded, chosen, planned, applied on trial or not; two browsers at once; who only reads."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from fleet.services.deviations import Signed
from tests.web.browsing import People, Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier, scene
from tests.web.page_scene import Scene

__all__ = ["auditor", "browsers", "integrator", "scene"]

SHOW = "Show what would be done"


@pytest.fixture(autouse=True)
def all_right(scene: Scene) -> None:
    """Every box as it should be, whatever a test before left."""
    for box, level_db in {
        "box-1": -6.0,
        "box-2": -6.0,
        "box-3": -8.0,
        "box-4": -8.0,
        "box-7": -10.0,
        "box-8": -10.0,
    }.items():
        scene.turned(box, level_db)


def choose(person: Person, *positions: str) -> None:
    for position in positions:
        person.page.get_by_label(f"Choose {position}").check()


def test_what_differs_is_graded_in_words_and_what_was_not_checked_is_said(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", 2.0)
    scene.turned("box-7", -6.0)
    one = integrator.open("/differences")
    expect(one.page.locator(".lead")).to_contain_text("1 serious, 1 audible, at 2 positions.")
    expect(one.page.locator(".lead")).to_contain_text("1 not checked")
    expect(one.page.get_by_role("row", name=re.compile("main-left"))).to_contain_text(
        "serious: 8 dB louder than wanted"
    )
    expect(one.page.get_by_role("row", name=re.compile("desk"))).to_contain_text("audible: 4 dB louder than wanted")
    expect(one.page.get_by_role("row", name=re.compile("horn"))).to_contain_text("left alone: life safety")
    no_barrier(one, "differences")


def test_a_room_is_chosen_in_the_address(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -2.0)
    one = integrator.open("/differences")
    one.page.get_by_label("Room").select_option("foyer")
    expect(one.page).to_have_url(re.compile(r"/differences\?room=foyer$"))
    expect(one.page.locator(".lead")).to_contain_text("Everything that was checked is as it should be.")
    one.page.go_back()
    expect(one.page.get_by_role("row", name=re.compile("main-left"))).to_be_visible()


def test_a_coherent_set_goes_together_and_says_so(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -3.0)
    scene.turned("box-2", -3.0)
    one = integrator.open("/differences?room=weir-hall")
    expect(one.page.get_by_role("row", name=re.compile("main-left"))).to_contain_text("coherent set mains")
    choose(one, "main-left")
    expect(one.page.get_by_label("Choose main-right")).to_be_checked()
    expect(one.page.locator(".bar")).to_contain_text("2 positions chosen")
    one.page.get_by_label("Choose main-right").uncheck()
    expect(one.page.get_by_label("Choose main-left")).not_to_be_checked()


def test_what_is_chosen_is_planned_begun_and_told_to_its_end(scene: Scene, integrator: Person) -> None:
    scene.turned("box-3", -5.0)
    scene.turned("box-1", -2.0)
    one = integrator.open("/differences?room=weir-hall")
    choose(one, "fill-left")
    one.button(SHOW).click()
    expect(one.page.get_by_role("heading", name="Put this right?")).to_be_focused()
    expect(one.page.locator(".boxes")).to_contain_text("fill-left box-3")
    expect(one.page.locator(".boxes")).to_contain_text("takes level")
    expect(one.page.locator(".boxes")).to_contain_text("3 dB above its range")
    one.sees("Nothing gets louder.")
    one.sees("Nothing speaks against it.")
    no_barrier(one, "a plan")
    one.page.get_by_label("Why (for the journal)").fill("too loud at the bar")
    one.button("Do this to 1 device").click()
    expect(one.page).to_have_url(re.compile(r"/changes/c-\d+$"))
    one.sees("Done. Every device was read back, and is as wanted.")
    one.sees("too loud at the bar")
    expect(one.page.get_by_role("row", name=re.compile("box-3"))).to_contain_text("kept")
    assert scene.level_db("box-3") == -8.0
    assert scene.level_db("box-1") == -2.0, "what was not chosen stays"


def test_a_guard_that_asks_is_lifted_by_its_name_and_one_that_refuses_is_not(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -16.0)
    scene.turned("box-2", -16.0)
    one = integrator.open("/differences?room=weir-hall")
    choose(one, "main-left")
    one.button(SHOW).click()
    asks = one.page.get_by_role("group", name="This asks first")
    expect(asks).to_contain_text("Much louder")
    expect(asks).to_contain_text("Lift this only when nobody stands close to a loudspeaker.")
    begin = one.button("Do this to 2 devices")
    expect(begin).to_be_disabled()
    one.sees("Lift what asks above, or choose less.")
    no_barrier(one, "a plan that asks")
    one.page.get_by_label("Lift “Much louder” for this once").check()
    expect(begin).to_be_enabled()
    one.button("No, leave it").click()
    held = scene.daemon.services.holds
    scene.daemon.do(held.hold("weir-hall", "2h", "mira", "show"))
    try:
        expect(one.page.get_by_label("Choose main-left")).to_be_visible()
        choose(one, "main-left")
        one.button(SHOW).click()
        one.sees("This refuses")
        one.sees("A show is running.")
        expect(one.page.get_by_role("button", name="Do this to")).to_have_count(0)
        one.sees("This cannot be done as it is.")
        no_barrier(one, "a plan that is refused")
    finally:
        scene.daemon.do(held.release("weir-hall"))
    assert scene.level_db("box-1") == -16.0


@pytest.mark.parametrize(
    ("answer", "state", "level_db"), [("Keep it", "kept", -6.0), ("Undo it now", "went back", -2.0)]
)
def test_on_trial_it_counts_down_and_is_kept_or_undone(
    scene: Scene, integrator: Person, answer: str, state: str, level_db: float
) -> None:
    scene.turned("box-1", -2.0)
    one = integrator.open("/differences?room=weir-hall")
    choose(one, "main-left")
    one.button(SHOW).click()
    one.page.get_by_label(re.compile("^On trial")).check()
    one.page.get_by_label("Length of the trial").select_option("5 minutes")
    one.button("Do this to 1 device").click()
    expect(one.page.get_by_role("timer")).to_have_text(re.compile(r"Goes back by itself in (5:00|4:5\d)\."))
    expect(one.page.get_by_role("list", name="How far it is").locator("[aria-current=step]")).to_have_text("on trial")
    assert scene.level_db("box-1") == -6.0
    no_barrier(one, "a trial")
    one.button(answer).click()
    expect(one.page.locator(".head .lead")).to_have_text(state)
    assert scene.level_db("box-1") == level_db


def test_of_two_browsers_the_second_sees_the_new_plan_and_why(
    scene: Scene, integrator: Person, browsers: People
) -> None:
    other = browsers.person(scene.url).sign_in(scene.tokens["integrator"])
    scene.turned("box-3", -4.0)
    scene.turned("box-1", -2.0)
    for one in (integrator, other):
        one.open("/differences?room=weir-hall")
        one.page.get_by_label("All that differs here: Weir Hall").check()
        one.button(SHOW).click()
        expect(one.button("Do this to 2 devices")).to_be_visible()
    other.button("No, leave it").click()
    choose(other, "fill-left")
    other.button(SHOW).click()
    other.button("Do this to 1 device").click()
    other.sees("Done. Every device was read back, and is as wanted.")
    integrator.button("Do this to 2 devices").click()
    moved = integrator.page.locator("[data-moved]")
    expect(moved).to_be_focused()
    expect(moved).to_contain_text("Something moved since this plan was shown, so nothing was begun.")
    expect(moved).to_contain_text("box-3 does not change any more:")
    expect(moved).to_contain_text("Apply weir-hall, positions fill-left, integrator one: kept")
    assert scene.level_db("box-1") == -2.0
    no_barrier(integrator, "a plan that moved")
    integrator.button("Do this to 1 device").click()
    integrator.sees("Done. Every device was read back, and is as wanted.")
    assert scene.level_db("box-1") == -6.0


def test_whole_rooms_go_one_after_another_as_a_round(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -2.0)
    scene.turned("box-3", -4.0)
    scene.turned("box-7", -6.0)
    one = integrator.open("/differences")
    choose(one, "fill-left", "desk")
    one.sees("Over several rooms, whole rooms are put right")
    expect(one.button(SHOW)).to_be_disabled()
    one.page.get_by_label("All that differs here: Weir Hall").check()
    one.button(SHOW).click()
    expect(one.page.get_by_role("heading", level=2, name="Foyer")).to_be_visible()
    for lift in one.page.get_by_label(re.compile("^Lift ")).all():
        lift.check()
    no_barrier(one, "a plan of two rooms")
    one.button("Do this to 3 devices, 2 rooms one after another").click()
    expect(one.page).to_have_url(re.compile(r"/changes/rounds/round-\d+$"))
    one.sees("Every room of the round is as it was meant to be.")
    no_barrier(one, "a round")
    one.page.get_by_role("link", name=re.compile("^the change c-")).first.click()
    expect(one.page.get_by_role("link", name=re.compile("^round-"))).to_be_visible()
    assert [scene.level_db(box) for box in ("box-1", "box-3", "box-7")] == [-6.0, -8.0, -10.0]


def test_an_agreed_deviation_says_who_until_when_and_why(scene: Scene, integrator: Person) -> None:
    scene.turned("box-7", -7.0)
    deviations = scene.daemon.services.deviations
    found = scene.daemon.do(deviations.look("foyer", "desk", ()))
    signed = Signed(until="2031-06-30", reason="the desk was moved", owner="Jo Marsh", who="ines")
    scene.daemon.do(deviations.agree("foyer", "desk", (), signed, digest=found.digest))
    one = integrator.open("/differences?room=foyer")
    there = one.page.get_by_role("row", name=re.compile("desk"))
    expect(there).to_contain_text("agreed: 3 dB louder than wanted")
    expect(there).to_contain_text("agreed until 2031-06-30 by Jo Marsh, because: the desk was moved")
    expect(one.page.locator(".lead")).to_contain_text("1 agreed deviation")
    scene.daemon.do(deviations.end("foyer", "desk", (), "ines"))


def test_a_box_that_is_not_there_is_said_with_when_it_was_seen_and_leaves_the_rest_free(
    scene: Scene, integrator: Person
) -> None:
    scene.turned("box-7", -7.0)
    scene.dies("box-8")
    try:
        one = integrator.open("/differences?room=foyer")
        there = one.page.get_by_role("row", name=re.compile("door"))
        expect(there).to_contain_text("not there")
        expect(there).to_contain_text("2031-05-17 14:00")
        one.page.get_by_label("All that differs here: Foyer").check()
        one.button(SHOW).click()
        one.button("Do this to 1 device").click()
        one.sees("Done. Every device was read back, and is as wanted.")
    finally:
        scene.daemon.driver.devices["box-8"].online = True
        scene.daemon.touched("box-8")


def test_an_auditor_reads_and_an_operator_has_no_such_page(scene: Scene, auditor: Person, browsers: People) -> None:
    scene.turned("box-1", -2.0)
    auditor.open("/differences")
    expect(auditor.page.get_by_role("row", name=re.compile("main-left"))).to_contain_text("4 dB louder than wanted")
    auditor.sees("Only an integrator puts something right.")
    expect(auditor.page.get_by_role("checkbox", name=re.compile("Choose"))).to_have_count(0)
    expect(auditor.button(SHOW)).to_have_count(0)
    operator = browsers.person(scene.url).sign_in(scene.tokens["operator"])
    expect(operator.page.get_by_role("link", name="Differences")).to_have_count(0)
    operator.open("/differences")
    operator.sees("This page is not for the role operator.")
