"""The probable cause of what changed in a device, in words, from its reports."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import pytest

from fleet.model.description import PowerUp
from fleet.model.state import OpenChange
from fleet.reconcile.causes import probable_cause, probable_causes
from simulators.abilities import Identity, Model
from simulators.condition import factory_fresh
from simulators.models import FENNBECK, MILLRACE, RILLET, UNDERMERE, WEIRHOUSE
from simulators.population import Simulated
from tests.reconcile.cause_bench import Bench, faults_of
from tests.reconcile.cause_injection import Step

IDENTITY = Identity("box-1", "B8-2", "2.3.1", "02:00:5e:00:00:02")
RECALL, EDIT = Step("press", {"recall": 2}), Step("press", {"set": {"level_db": -20}, "output": 1})


def bench(model: Model = FENNBECK, hint: str = "told", **live: Any) -> Bench:
    fresh = factory_fresh(model)
    kept = replace(fresh, live=replace(fresh.live, **live), boot_count=7)
    return Bench(Simulated(model, IDENTITY, kept), faults_of(Random(1), hint))


def words(box: Bench, *steps: Step) -> str:
    before = box.report()
    for step in steps:
        box.do(step)
    return probable_cause(before, box.report()).words


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([RECALL], "recalled slot 2 at its panel"),
        ([EDIT], "edited (level) at its panel"),
        ([RECALL, EDIT], "recalled slot 2 at its panel, and edited (level) at its panel"),
        (
            [Step("press", {"settings": {"input": "network"}})],
            "changed input from analogue to network at its panel",
        ),
        ([Step("press", {"settings": {"panel_locked": True}})], "edited (panel lock) at its panel"),
        ([Step("press", {"mute": True})], "was muted at its panel"),
        ([Step("press", {"mute": True, "cause": "external"})], "is muted by an external contact"),
        ([Step("press", {"mute": True, "cause": "alarm"})], "is muted by an alarm"),
        (
            [EDIT, Step("press", {"store": 4})],
            "has had the contents of slot 4 overwritten at its panel, and edited (level) at its panel",
        ),
        ([Step("power")], "came back from a power cut or restart with its last state"),
        (
            [Step("power"), RECALL],
            "recalled slot 2 at its panel, and came back from a power cut or restart with its last state",
        ),
        ([Step("fault", "replaced:B8-1")], "is another box: serial B8-1 instead of B8-2"),
        (
            [Step("fault", "firmware:2.4.0")],
            "has firmware 2.4.0 instead of 2.3.1, and came back from a power cut or restart with its last state",
        ),
        (
            [Step("change", {"recall": 2, "settings": {"outputs": [{"output": 1, "level_db": -20}]}})],
            "recalled slot 2 and edited (level) by another controller",
        ),
        (
            [Step("change", {"settings": {"outputs": [{"output": 1, "mute": True}]}})],
            "was muted by another controller",
        ),
    ],
)
def test_what_was_done_is_said(steps: list[Step], said: str) -> None:
    assert words(bench(), *steps) == said


def test_a_box_that_recalls_its_default_slot_says_which() -> None:
    assert words(bench(RILLET, active_slot=4), Step("power")) == "came back from a power cut or restart in slot 1"
    assert words(bench(UNDERMERE, power_up_slot=3), Step("power")).endswith("in slot 3")


def test_a_default_slot_is_certain_only_where_nobody_touched_the_box_since() -> None:
    box = bench(RILLET, active_slot=4)
    before = box.report()
    box.do(Step("power"))
    assert probable_causes(before, box.report())[0].certain
    box.do(EDIT)
    assert [(c.kind, c.certain) for c in probable_causes(before, box.report())] == [
        ("default slot", False),
        ("edited", False),
    ]


def test_a_power_cut_that_takes_an_open_change_away_is_said() -> None:
    box = bench()
    box.do(Step("begin", {"settings": {"outputs": [{"output": 1, "level_db": -20}]}}))
    assert words(box, Step("power")).endswith("without a change that was not kept")


def test_a_change_of_another_controller_that_is_not_kept_is_said() -> None:
    for hint in ("told", "none"):
        box = bench(hint=hint)
        box.do(Step("begin", {"settings": {"outputs": [{"output": 1, "level_db": -20}]}}))
        assert words(box, Step("revert")) == "went back from a change that was not kept"


def test_a_contact_that_opens_is_said_too() -> None:
    box = bench()
    box.do(Step("press", {"mute": True, "cause": "alarm"}))
    assert words(box, Step("press", {"mute": False, "cause": "alarm"})) == "is no longer muted by an alarm"


def test_a_mute_that_is_lifted_is_said_with_who_lifted_it() -> None:
    box = bench()
    box.do(Step("press", {"mute": True}))
    unmute = {"settings": {"outputs": [{"output": 1, "mute": False}]}}
    assert words(box, Step("change", unmute)) == "was unmuted by another controller"
    box.do(Step("press", {"mute": True}))
    assert words(box, Step("press", {"mute": False})) == "was unmuted at its panel"


def test_without_a_hint_it_is_not_said_who() -> None:
    assert words(bench(hint="none"), RECALL) == "recalled slot 2 at the box or by another controller"


def test_without_a_hint_a_locked_panel_or_a_higher_epoch_points_to_a_controller() -> None:
    by_controller = Step("change", {"recall": 2})
    assert words(bench(hint="none", panel_locked=True), by_controller) == "recalled slot 2 by another controller"
    taken_over = Step("change", {"recall": 2, "epoch": 5})
    assert words(bench(hint="none"), taken_over) == "recalled slot 2 by another controller"


def test_a_hint_that_names_a_locked_panel_is_doubted() -> None:
    box = bench(hint="told", panel_locked=True)
    before = box.report()
    box.do(Step("change", {"recall": 2}))
    now = box.report()
    cause = probable_cause(before, replace(now, state=replace(now.state, cause="panel")))
    assert (cause.kind, cause.certain) == ("controller", False)
    assert cause.words == "recalled slot 2 by another controller (it says at its panel, which is locked)"


def test_another_network_address_or_a_counter_that_went_back_is_another_box() -> None:
    before = bench().report()
    moved = replace(before, description=replace(before.description, mac="02:00:5e:00:00:09"))
    assert probable_cause(before, moved).words.startswith("is another box or has another network card: MAC address 02")
    younger = replace(
        before, state=replace(before.state, boot_count=2, moment=replace(before.state.moment, boot_id="b-9"))
    )
    cause = probable_cause(before, younger)
    assert (cause.kind, cause.certain) == ("replaced", False)


def test_new_firmware_that_writes_slots_down_otherwise_has_overwritten_nothing() -> None:
    before = bench().report()
    updated = replace(
        before,
        description=replace(before.description, firmware="2.4.0"),
        state=replace(before.state, slots_sha256="0" * 64),
    )
    assert [cause.kind for cause in probable_causes(before, updated)] == ["firmware"]


def test_slots_that_cannot_be_read_are_known_to_be_overwritten_by_their_hash() -> None:
    contents = [{"slot": 3, "name": "theirs", "outputs": [{"output": 1, "level_db": -9}]}]
    said = words(bench(UNDERMERE), Step("change", {"slot_contents": contents}))
    assert said == "has had a slot's contents overwritten by another controller"


def test_a_recall_brings_the_input_where_slots_hold_it() -> None:
    box = bench(WEIRHOUSE, input="network")
    assert words(box, Step("press", {"recall": 2})) == "recalled slot 2 at its panel"


def test_a_box_that_keeps_its_state_and_came_back_otherwise_is_not_said_to_have_recalled() -> None:
    said = words(bench(), RECALL, Step("power"))
    assert said == "came back from a power cut or restart with other settings than before: those of slot 2"


def test_one_report_alone_tells_what_stands_in_it() -> None:
    box = bench(MILLRACE)
    assert probable_cause(None, box.report()).words == "not known"
    box.do(EDIT)
    assert probable_cause(None, box.report()).words == "edited since slot 1 was recalled"
    box.do(Step("press", {"mute": True, "cause": "external"}))
    assert probable_cause(None, box.report()).kind == "external mute"
    fresh = bench(RILLET)
    fresh.do(Step("power"))
    assert probable_cause(None, fresh.report()).kind == "default slot"


def test_nothing_that_differs_has_no_known_cause() -> None:
    report = bench().report()
    assert probable_causes(report, report) == ()
    assert probable_cause(report, report).words == "not known"


def test_a_default_slot_that_the_device_does_not_name_is_not_made_up() -> None:
    box = bench(RILLET)
    before = box.report()
    box.do(Step("power"))
    nameless = PowerUp(behaviour="default_slot", slot=None)
    reports = [replace(r, description=replace(r.description, power_up=nameless)) for r in (before, box.report())]
    assert probable_cause(*reports).kind == "restart"


def test_an_open_change_without_a_hint_points_to_its_controller() -> None:
    box = bench(hint="none")
    before = box.report()
    box.do(Step("begin", {"recall": 2}))
    now = box.report()
    assert isinstance(now.state.change, OpenChange)
    assert probable_cause(before, now).kind == "controller"


def test_what_a_device_says_of_itself_is_shown_safely() -> None:
    before = bench().report()
    state = replace(before.state, serial="\x1b[31mB8\n")
    assert "\x1b" not in probable_cause(before, replace(before, state=state)).words
