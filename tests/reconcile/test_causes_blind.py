"""The blind test of probable causes: what was done to simulated devices, judged from their reports alone.

`cause_bench.cases` injects and keeps the truth aside; `cause_bench.judged` sees reports; here the two are compared.
FLEET_SEED plays other cases; the table goes to the output.
"""

from __future__ import annotations

import os
from dataclasses import replace
from random import Random

import pytest

from fleet.model.cause import CauseKind
from fleet.model.state import Reported
from fleet.reconcile.causes import probable_cause
from simulators.condition import factory_fresh
from simulators.models import FENNBECK, MODELS
from simulators.population import at_random
from tests.reconcile.cause_bench import Bench, Truth, Verdict, cases, faults_of, judged
from tests.reconcile.cause_injection import HINTS, INJECTED, Step
from tests.reconcile.cause_table import SAME_EVIDENCE, Count, counted, table

SEED = int(os.environ.get("FLEET_SEED", "1"))
CASES = 1_000

Outcome = tuple[list[Truth], list[Verdict], list[Count]]


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    evidence, truths = cases(CASES, SEED)
    verdicts = judged(evidence)
    counts = list(counted(truths, verdicts))
    print(f"\n{table(counts)}\nFLEET_SEED={SEED} plays the same")
    return truths, verdicts, counts


def test_nothing_that_did_not_happen_is_called_certain(outcome: Outcome) -> None:
    wrong = [
        (truth, part)
        for truth, verdict in zip(outcome[0], outcome[1], strict=True)
        for part in verdict.parts
        if part.certain and part.kind not in truth.kinds
    ]
    assert not wrong
    assert any(part.certain for verdict in outcome[1] for part in verdict.parts)


@pytest.mark.parametrize("kind", INJECTED)
def test_a_cause_is_said_far_more_often_where_it_happened_than_where_it_did_not(
    outcome: Outcome, kind: CauseKind
) -> None:
    def said(happened: bool) -> float:
        asked = [v for t, v in zip(outcome[0], outcome[1], strict=True) if (kind in t.kinds) is happened]
        return sum(kind in {part.kind for part in verdict.parts} for verdict in asked) / len(asked)

    assert said(True) > max(1 / len(INJECTED), 3 * said(False))


@pytest.mark.parametrize("hint", HINTS)
def test_one_cause_is_taken_for_another_only_where_the_evidence_is_the_same(outcome: Outcome, hint: str) -> None:
    single = [one for one in outcome[2] if one.hint == hint and not one.several]
    assert {(one.kind, one.said or one.outcome) for one in single if one.outcome != "hit"} <= SAME_EVIDENCE[hint]
    assert {one.kind for one in single} == set(INJECTED)


def test_hints_help_and_false_ones_mislead(outcome: Outcome) -> None:
    def hits(hint: str) -> float:
        counts = [one for one in outcome[2] if one.hint == hint and not one.several]
        return sum(one.outcome == "hit" for one in counts) / len(counts)

    assert hits("told") > hits("none") > hits("false")


HANDS = (
    ("recalled", {"recall": 2}, {"recall": 2}),
    (
        "edited",
        {"set": {"level_db": -20}, "output": 1},
        {"settings": {"outputs": [{"output": 1, "level_db": -20}]}},
    ),
    ("input", {"settings": {"input": "network"}}, {"settings": {"input": "network"}}),
)


@pytest.mark.parametrize(("kind", "by_hand", "by_controller"), HANDS)
def test_without_hints_the_evidence_of_a_hand_and_of_a_controller_is_really_the_same(
    kind: CauseKind, by_hand: object, by_controller: object
) -> None:
    (before, touched), (_, steered) = (
        _twin(Step("press", by_hand), "none"),
        _twin(Step("change", by_controller), "none"),
    )
    assert _without_time(touched) == _without_time(steered)
    cause = probable_cause(before, touched)
    assert (cause.kind, cause.certain) == (kind, False)
    assert cause.words.endswith("at the box or by another controller")


@pytest.mark.parametrize(("kind", "by_hand", "by_controller"), HANDS)
def test_with_a_hint_a_hand_and_a_controller_are_told_apart(
    kind: CauseKind, by_hand: object, by_controller: object
) -> None:
    assert probable_cause(*_twin(Step("press", by_hand), "told")).kind == kind
    assert probable_cause(*_twin(Step("change", by_controller), "told")).kind == "controller"


def test_settings_put_back_by_hand_are_really_as_after_a_recall() -> None:
    edit = Step("press", {"set": {"level_db": -20}, "output": 1})
    back = _twin(Step("press", {"set": {"level_db": 0}, "output": 1}), "told", edit)
    again = _twin(Step("press", {"recall": 1}), "told", edit)
    assert _without_time(back[1]) == _without_time(again[1])


def test_every_model_is_judged_and_the_same_seed_gives_the_same_cases() -> None:
    one, other = cases(60, SEED), cases(60, SEED)
    assert one == other
    assert {evidence.before.description.model for evidence in one[0]} == set(MODELS)


def _twin(step: Step, hint: str, *past: Step) -> tuple[Reported, Reported]:
    """A device before and after a step; always the same one."""
    device = replace(at_random(1, 1)[0], model=FENNBECK, kept=replace(factory_fresh(FENNBECK), boot_count=3))
    bench = Bench(device, faults_of(Random(1), hint))
    for one in past:
        bench.do(one)
    before = bench.report()
    bench.do(step)
    return before, bench.report()


def _without_time(report: Reported) -> Reported:
    return replace(report, state=replace(report.state, uptime_ms=0.0))
