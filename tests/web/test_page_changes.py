"""Changes on the page: the list, one as a story, undoing it, a trial of somebody else, what failed; who only reads."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import expect

from fleet.drivers.memory import MemoryDevice
from fleet.services.planning import Asked
from tests.services.small_venue import apply, ended
from tests.web.browsing import Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier, scene
from tests.web.page_scene import Scene

__all__ = ["auditor", "browsers", "integrator", "scene"]


def begin(scene: Scene, asked: Asked, *, why: str = "a test", **how: Any) -> str:
    """Begin a change as another person would."""
    services = scene.daemon.services

    async def begun() -> str:
        plan = await services.changes.plan(asked)
        allow = ("rise", "half-room")
        record = await services.changes.start(asked, digest=plan.digest, who="mira", why=why, allow=allow, **how)
        return record.id

    return scene.daemon.do(begun())


def kept(scene: Scene, level_db: float = -2.0, why: str = "a test") -> str:
    """A change of main-left that was kept."""
    scene.turned("box-1", level_db)
    change = begin(scene, apply(positions=frozenset({"main-left"})), why=why)
    assert scene.daemon.do(ended(scene.daemon.services, change)).state == "kept"
    return change


def test_the_list_says_who_did_what_when_and_how_it_ended(scene: Scene, integrator: Person) -> None:
    change = kept(scene, why="louder than the other")
    one = integrator.open("/changes")
    row = one.page.locator("tbody tr", has=one.page.locator(f"a[href='/changes/{change}']"))
    for words in ("2031-05-17 14:00", "Apply weir-hall, positions main-left", "mira", "louder than the other", "kept"):
        expect(row).to_contain_text(words)
    no_barrier(one, "changes")
    one.open("/changes?room=foyer")
    expect(one.page.locator(f"a[href='/changes/{change}']")).to_have_count(0)
    expect(one.page.locator("tbody tr")).not_to_have_count(0)


def test_the_list_grows_as_changes_are_made_elsewhere(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/changes")
    expect(one.page.locator("tbody tr").first).to_be_visible()
    change = kept(scene)
    expect(one.page.locator(f"a[href='/changes/{change}']")).to_be_visible()


def test_a_change_is_a_story_in_order_and_says_how_each_device_went(scene: Scene, integrator: Person) -> None:
    one = integrator.open(f"/changes/{kept(scene)}")
    expect(one.page.get_by_role("heading", level=1)).to_have_text("Apply weir-hall, positions main-left")
    one.sees("Done. Every device was read back, and is as wanted.")
    story = one.page.locator(".story > li").all_inner_texts()
    told = [re.sub(r"^\d\d:\d\d:\d\d\.\d\s*", "", line) for line in story]
    assert told[:3] == [
        "Work was held ready on the devices; nothing sounded yet.",
        "Asked to hold it ready: box-1",
        "Answered: box-1",
    ]
    assert told[-1] == "It was kept."
    assert told.index("Asked to take the settings: box-1") < told.index("Every device was read back.")
    expect(one.page.get_by_role("row", name=re.compile("box-1"))).to_contain_text("kept")
    one.page.get_by_text("1 device changes").click()
    one.sees("takes level −6")
    no_barrier(one, "a change")


def test_a_change_is_undone_by_one_that_is_shown_first(scene: Scene, integrator: Person) -> None:
    change = kept(scene)
    one = integrator.open(f"/changes/{change}")
    one.button("Undo this change").click()
    expect(one.page.get_by_role("heading", name="Undo this change?")).to_be_focused()
    expect(one.page.locator(".boxes")).to_contain_text("level −2")
    assert scene.level_db("box-1") == -6.0
    no_barrier(one, "an undoing")
    one.button("Do this to 1 device").click()
    expect(one.page).not_to_have_url(re.compile(f"{change}$"))
    one.sees("Done. Every device was read back, and is as wanted.")
    assert scene.level_db("box-1") == -2.0
    one.page.get_by_role("link", name=change, exact=True).click()
    expect(one.page.locator(".named")).to_contain_text("Undone by")


@pytest.mark.parametrize(
    ("answer", "state", "level_db"), [("Keep it", "kept", -6.0), ("Undo it now", "went back", -2.0)]
)
def test_a_trial_that_another_began_is_answered_here(
    scene: Scene, integrator: Person, answer: str, state: str, level_db: float
) -> None:
    scene.turned("box-1", -2.0)
    change = begin(scene, apply(positions=frozenset({"main-left"})), keep_within_s=600.0)
    one = integrator.open(f"/changes/{change}")
    expect(one.page.get_by_role("timer")).to_have_text(re.compile(r"Goes back by itself in (10:00|9:5\d)\."))
    one.sees("Nobody has to be here for that")
    one.button(answer).click()
    expect(one.page.locator(".head .lead")).to_have_text(state)
    assert scene.level_db("box-1") == level_db


def test_what_went_wrong_names_the_device_and_what_to_do(
    scene: Scene, integrator: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene.turned("box-1", -2.0)
    monkeypatch.setattr(MemoryDevice, "do", lambda _device, _work: None)  # it accepts, and does nothing
    one = integrator.open(f"/changes/{begin(scene, apply(positions=frozenset({'main-left'})))}")
    end = one.page.locator(".change-now")
    expect(end).to_contain_text("It did not work. Everything went back, and was read back: all is as it was.")
    expect(end).to_contain_text("This made it fail")
    expect(end).to_contain_text("box-1")
    expect(end).to_contain_text("What to do next")
    expect(one.button("Undo this change")).to_have_count(0)
    no_barrier(one, "a change that failed")


def test_an_auditor_reads_the_story_and_changes_nothing(scene: Scene, auditor: Person) -> None:
    scene.turned("box-1", -6.0)
    auditor.open(f"/changes/{kept(scene)}")
    expect(auditor.page.locator(".story > li").last).to_contain_text("It was kept.")
    expect(auditor.button("Undo this change")).to_have_count(0)
    scene.turned("box-1", -2.0)
    trial = begin(scene, apply(positions=frozenset({"main-left"})), keep_within_s=600.0)
    auditor.open(f"/changes/{trial}")
    expect(auditor.page.get_by_role("timer")).to_be_visible()
    for name in ("Keep it", "Undo it now", "Stop, and go back"):
        expect(auditor.button(name)).to_have_count(0)
    scene.daemon.do(scene.daemon.services.changes.cancel(trial, "mira"))
    expect(auditor.page.locator(".head .lead")).to_have_text("went back")


def test_an_unknown_change_and_a_round_that_is_gone_are_said(scene: Scene, integrator: Person) -> None:
    integrator.open("/changes/c-none")
    integrator.sees("There is nothing by this name.")
    integrator.open("/changes/rounds/round-none")
    integrator.sees("A round lives only as long as the daemon that began it.")


def test_a_store_of_slots_is_told_in_words(scene: Scene, integrator: Person) -> None:
    scene.turned("box-1", -6.0)
    device = scene.daemon.driver.devices["box-1"]
    held = device.slots[5]
    assert held.outputs is not None
    device.slots[5] = replace(held, outputs={1: replace(held.outputs[1], level_db=-30.0)})
    scene.daemon.touched("box-1")
    one = integrator.open(f"/changes/{begin(scene, replace(apply(), kind='store'))}")
    one.sees("Asked to take the slot's contents:")
    expect(one.page.locator(".head .lead")).to_have_text("kept")
