"""Several differences of a position are said in one sentence, the gravest in full."""

from __future__ import annotations

from fleet.model.difference import Grade
from fleet.reconcile.brief import Said, in_brief

SLOT = Said(setting="slot", slot=None, grade=Grade.SERIOUS, words="in slot 1, wanted slot 5")
LEVEL = Said(setting="level_db", slot=None, grade=Grade.AUDIBLE, words="6 dB louder than wanted")
EQ = Said(setting="eq", slot=None, grade=Grade.AUDIBLE, words="EQ: 2 dB too much at 2.5 kHz; phase 12° off at 90 Hz")
STORED = Said(setting="eq", slot=5, grade=Grade.AUDIBLE, words="slot 5: EQ: 2 dB too much at 2.5 kHz")


def test_one_is_said_as_it_is() -> None:
    assert in_brief([LEVEL]) == "6 dB louder than wanted"


def test_of_several_the_gravest_is_said_and_the_others_are_named() -> None:
    assert in_brief([LEVEL, SLOT]) == "in slot 1, wanted slot 5; also level"
    assert in_brief([LEVEL, SLOT, EQ, STORED]) == "in slot 1, wanted slot 5; also level and EQ, and EQ in slot 5"


def test_many_are_counted() -> None:
    others = [Said(setting=s, slot=None, grade=Grade.AUDIBLE, words=s) for s in ("eq", "mute", "input", "polarity")]
    assert in_brief([SLOT, LEVEL, *others]) == "in slot 1, wanted slot 5; also 5 settings more"
