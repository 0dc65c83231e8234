"""A file of answers: all four or a reason, instruments for what was measured, and every mistake at its place."""

from __future__ import annotations

import pytest

from fleet.desired.walk_answers import read_answers
from fleet.errors import BadInput

GOOD = """\
format: 1
instrument: impedance meter
instrument_serial: 0412
positions:
  bar-line: {place: yes, source: yes, sound: no, polarity: not sure, impedance_ohm: 140, notes: hum}
  fill: {place: yes, source: yes, sound: yes, polarity: yes}
  door: {skip: behind the scaffold}
"""


def test_what_is_written_is_what_is_answered() -> None:
    file = read_answers(GOOD, "a.yaml")
    line = file.answers("bar-line")
    assert line is not None
    assert (line.place, line.sound, line.polarity, line.notes) == ("yes", "no", "not sure", "hum")
    assert (line.impedance_ohm, line.level_db, line.instrument_serial) == (140.0, None, "0412")
    fill = file.answers("fill")
    assert fill is not None
    assert (fill.measured, fill.instrument) == (False, ""), "nothing was measured there"
    assert (file.answers("door"), file.why_not("door")) == (None, "behind the scaffold")
    assert (file.answers("attic"), file.why_not("attic")) == (None, "the file of answers does not name it")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format: 1\npositions: {a: {place: yes}}", "a.yaml:2:16: `a` has no answer for source, sound, polarity"),
        ("format: 1\npositions: {a: {skip: no, place: yes}}", "`a` is skipped, and has answers all the same"),
        ("format: 1\npositions: {a: {skip: x, colour: red}}", "unknown key `colour`"),
        (GOOD.replace("sound: no", "sound: perhaps"), "a.yaml:5:46: `sound` must be no, yes or not sure"),
        (GOOD.replace("instrument: impedance meter\n", ""), "has measured values and no `instrument`"),
        (GOOD.replace("140", "0"), "`impedance_ohm` must be greater than 0"),
        (GOOD.replace("format: 1", "format: 2"), "a.yaml:1:9: `format`"),
        ("", "a.yaml:1:1: the file is empty"),
        ("format: [", "a.yaml:"),
    ],
)
def test_mistakes_are_told_at_their_place(text: str, words: str) -> None:
    with pytest.raises(BadInput) as told:
        read_answers(text, "a.yaml")
    assert words in str(told.value)
