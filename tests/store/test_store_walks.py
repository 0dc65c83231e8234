"""Walks come back as they were written, and in the order in which they were begun."""

from __future__ import annotations

from dataclasses import replace

from store_samples import NOON

from fleet.model.walk import Answers, Heard, NotWalked, Step, Walk, WalkState
from fleet.store.protocol import Store

STEP = Step(
    position="bar-line",
    device="amp-1",
    output=2,
    serial="S1",
    level_db=-30.0,
    was_db=-12.5,
    at=NOON,
    change="walk-1-1",
    muted=("main-left",),
    may_sound=("horn: life safety",),
    expected_ohm=166.7,
)
ANSWERS = Answers(
    place="yes",
    source="no",
    sound="not sure",
    polarity="yes",
    notes="Wehrsaal ☂",
    impedance_ohm=140.0,
    level_db=62.5,
    instrument="impedance meter",
    instrument_serial="0412",
)


def a_walk(walk: str) -> Walk:
    return Walk(
        id=walk,
        room="weir-hall",
        only_group="mains",
        who="ines",
        began=NOON,
        level_db=-30.0,
        step_within_s=600.0,
        as_baseline=True,
        positions=("bar-line", "main-left"),
        at="bar-line",
        now=STEP,
        steps=1,
        heard=(Heard(step=STEP, answers=ANSWERS, who="otto", at=NOON),),
        not_walked=(NotWalked(position="horn", device="box-9", words="life safety", life_safety=True),),
    )


async def test_a_walk_comes_back_and_keeps_its_place_however_often_it_is_written(store: Store) -> None:
    assert await store.walk("walk-1") is None
    for name in ("walk-1", "walk-2"):
        await store.save_walk(a_walk(name))
    assert await store.walk("walk-1") == a_walk("walk-1")
    done = replace(a_walk("walk-1"), now=None, state=WalkState.DONE, words="all", ended=NOON)
    await store.save_walk(done)
    assert await store.walks() == (a_walk("walk-2"), done)
