"""How numbers and differences read. Wording is the trade's: common practice, no published source."""

from __future__ import annotations

import pytest
from parts import bell, crossover

from fleet.model.listing import listed
from fleet.model.settings import Band
from fleet.model.venue import Between
from fleet.reconcile import words


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12, "12"),
        (100, "100"),
        (3.24, "3.2"),
        (-0.35, "-0.35"),
        (0.02, "0.02"),
        (0, "0"),
        (0.996, "1"),
        (1 / 480, "0.002"),
    ],
)
def test_numbers(value, text):
    assert words.number(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(31.5, "31.5 Hz"), (125, "125 Hz"), (999.4, "999 Hz"), (999.6, "1 kHz"), (2500, "2.5 kHz"), (12589.3, "12.6 kHz")],
)
def test_frequencies(value, text):
    assert words.hz(value) == text


def test_sentences():
    assert words.level_words(1.5) == "1.5 dB louder than wanted"
    assert words.level_words(-3) == "3 dB quieter than wanted"
    assert words.delay_words(-12) == "12 ms early: 4.1 m"
    assert words.delay_words(2) == "2 ms late: 0.69 m"
    assert words.response_words(3.2, 2500) == "3.2 dB too much at 2.5 kHz"
    assert words.response_words(-0.5, 80) == "0.5 dB too little at 80 Hz"
    assert words.phase_words(35.2, 120) == "phase 35° off at 120 Hz"
    assert words.range_words("level_db", -22, Between(low=-20, high=-8)) == "2 dB below its range of -20 to -8 dB"
    assert words.range_words("delay_ms", 8.5, Between(low=2, high=8)) == "0.5 ms above its range of 2 to 8 ms"
    assert listed(["level", "delay", "EQ"]) == "level, delay and EQ"
    assert listed(["level"]) == "level"
    assert listed([]) == ""


def test_raw_values():
    assert words.raw("level_db", -6.0) == "-6 dB"
    assert words.raw("mute", value=True) == "yes"
    assert words.raw("eq", ()) == "no bands"
    assert (
        words.raw("eq", (bell(), Band(shape="notch", frequency_hz=50, q=8)))
        == "bell 2500 Hz -2 dB q 1.4, notch 50 Hz q 8"
    )
    assert words.raw("high_pass", crossover()) == "Linkwitz-Riley 24 dB/oct at 90 Hz"
    assert words.raw("high_pass", "none") == "none"
    assert words.raw("input", None) == "not told"
    assert words.raw("input", "a\x1bb") == "a?b"
