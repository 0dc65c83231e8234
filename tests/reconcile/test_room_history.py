"""What was desired otherwise before, in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from parts import bell, venue_of
from samples_plans import FLAT, MODELS, hall, position

from fleet.model.settings import Crossover
from fleet.model.venue import Between, Mode
from fleet.reconcile.representable import representable
from fleet.reconcile.room_history import changes_of_room

DESCRIPTIONS = {f"box-{n}": replace(MODELS["full"], id=f"box-{n}") for n in (1, 2, 3)}
BASE = replace(FLAT, level_db=-6.0)


def left(**other):
    return position("left", other.pop("device", "box-1"), **{"fixed": BASE, **other})


def told(before, after, descriptions=DESCRIPTIONS):
    found = changes_of_room(before, after, venue_of(after), descriptions, representable)
    return [(c.position, c.words) for c in found]


@pytest.mark.parametrize(
    ("after", "words"),
    [
        (left(), []),
        (left(ceiling_db=-3.0), []),
        (left(fixed=replace(BASE, level_db=-4.0)), ["2 dB louder than wanted"]),
        (left(fixed=replace(BASE, eq=(bell(),))), ["EQ: 2 dB too little at 2.5 kHz"]),
        (left(fixed=replace(BASE, polarity="inverted")), ["polarity is inverted, wanted normal"]),
        (left(fixed=replace(BASE, mute=True)), ["mute yes (was not managed)"]),
        (left(fixed=replace(BASE, delay_ms=None)), ["delay not managed (was 0 ms)"]),
        (left(input="network"), ["input network (was not managed)"]),
        (left(slots={"*": 5}), ["house-curve slot 5 (was not managed)"]),
        (left(power_up_slot=5), ["power-up slot 5 (was not managed)"]),
        (
            left(fixed=replace(BASE, level_db=None), between={"level_db": Between(low=-20, high=-8)}),
            ["level from -20 to -8 dB (was -6 dB)"],
        ),
        (left(device="box-2"), ["served by box-2 (was box-1)"]),
        (
            left(device="box-2", fixed=replace(BASE, level_db=-4.0)),
            ["served by box-2 (was box-1)", "2 dB louder than wanted"],
        ),
    ],
)
def test_each_change_of_a_position_is_told(after, words):
    assert told(hall(left()), hall(after)) == [("left", w) for w in words]


def test_a_crossover_is_told():
    high_pass = Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90)
    ((where, words),) = told(hall(left()), hall(left(fixed=replace(BASE, high_pass=high_pass))))
    assert (where, words.startswith("high-pass")) == ("left", True)


def test_a_range_that_moved_is_told():
    fixed = replace(BASE, level_db=None)
    ranged = [left(fixed=fixed, between={"level_db": Between(low=low, high=-8)}) for low in (-20, -12)]
    assert told(hall(ranged[0]), hall(ranged[1])) == [("left", "level from -12 to -8 dB (was from -20 to -8 dB)")]


def test_positions_that_came_and_went_are_told():
    before, after = hall(left(), position("old", "box-2")), hall(left(), position("new", "box-2"))
    assert told(before, after) == [("new", "is new"), ("old", "is gone")]


def test_the_room_itself_is_told():
    before = hall(left(), house_curve="flat")
    speech = Mode(name="speech", title="Speech", positions={"left": left(fixed=replace(BASE, level_db=-12.0))})
    louder = replace(speech, positions={"left": left()})
    after = hall(left(), house_curve="warm", modes={"speech": speech})
    assert told(before, after) == [("", "house curve warm (was flat)"), ("", "mode speech is new")]
    assert told(after, replace(after, modes={"speech": louder})) == [("", "mode speech changed")]
    assert told(after, replace(after, modes={})) == [("", "mode speech is gone")]


def test_the_first_version_says_so():
    assert told(None, hall(left())) == [("", "first version with this room: 1 position")]


def test_a_device_that_is_not_known_cannot_be_told_in_words():
    words = "settings changed, which cannot be told in words: box-1 has not told what it can do"
    found = told(hall(left()), hall(left(fixed=replace(BASE, level_db=-4.0))), {})
    assert [(where, text.split(": ")[0]) for where, text in found] == [("left", words.split(": ", maxsplit=1)[0])]
    assert told(hall(left()), hall(left()), {}) == []
