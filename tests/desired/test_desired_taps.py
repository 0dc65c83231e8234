"""Figures of lines and loads, and where a line comes by them."""

from __future__ import annotations

from datetime import date

import pytest

from fleet.desired.load import load
from fleet.desired.taps import figures
from fleet.model.passive import Line, LineLoudspeakers, LoudspeakerType, Signed

CEILING = LoudspeakerType(name="ceiling-6", impedance_ohm=8, power_w=20)
BY = Signed(by="Ana", on=date(2031, 5, 20))


def test_a_line_in_figures() -> None:
    """200 W at 100 V are 50 ohm (Z = V² / P); 100 m of 1.5 mm² class 5 (IEC 60228) are 2.66 ohm of loop: 0.4502 dB."""
    taps = (LineLoudspeakers(count=8, tap_w=20, set=BY, checked=BY), LineLoudspeakers(count=2, tap_w=20, set=BY))
    found = figures(Line(volts=100, loudspeakers=taps, cable_m=100, cable_mm2=1.5, amplifier_w=250))
    assert (found.count, found.set, found.checked) == (10, 10, 8)
    assert (found.load_w, found.load_ohm, found.share) == (200, 50, 0.8)
    assert found.loss_db == pytest.approx(0.4502, abs=5e-5)


def test_low_impedance_in_parallel_and_in_series() -> None:
    """Four of 16 ohm are 4 ohm in parallel; two of 8 ohm are 16 ohm in series (Ohm)."""
    four = Line(loudspeakers=(LineLoudspeakers(count=4, ohm=16),))
    assert (figures(four).load_ohm, figures(four).load_w, figures(four).loss_db) == (4, None, None)
    two = Line(wiring="series", loudspeakers=(LineLoudspeakers(count=2, ohm=8, type=CEILING),))
    assert (figures(two).load_ohm, figures(two).load_w) == (16, 40)


def test_a_section_that_the_table_does_not_list_has_no_loss() -> None:
    line = Line(volts=100, loudspeakers=(LineLoudspeakers(count=1, tap_w=10),), cable_m=10, cable_mm2=1.7)
    assert figures(line).loss_db is None


def test_a_tap_for_another_voltage_counts_as_what_it_takes() -> None:
    line = Line(volts=100, loudspeakers=(LineLoudspeakers(count=1, tap_w=10, tap_volts=70.7),))
    assert figures(line).load_w == pytest.approx(20)


def test_a_type_gives_its_impedance_and_a_written_one_wins() -> None:
    files = {
        "venue.yaml": "format: 1\nname: W\ntime_zone: Europe/Lisbon\n"
        "loudspeaker_types: {ceiling-6: {impedance_ohm: 8, power_w: 20}}\n",
        "rooms/hall.yaml": "format: 1\nroom: hall\npositions:\n"
        "  a: {device: amp-1, line: {loudspeakers: [{count: 2, type: ceiling-6}]}}\n"
        "  b: {device: amp-1, output: 2, line: {loudspeakers: [{count: 2, type: ceiling-6, ohm: 4}]}}\n"
        "  c: {device: amp-1, output: 3, line: {volts: 100, loudspeakers: [{count: 2, type: ceiling-6, tap_w: 6}]}}\n",
    }
    venue = load(files).venue
    room = venue.rooms["hall"].positions
    assert dict(venue.loudspeaker_types) == {"ceiling-6": CEILING}
    ohms = [room[name].line.loudspeakers[0].ohm for name in "abc"]
    assert ohms == [8, 4, None]
    assert {room[name].line.types() for name in "abc"} == {(CEILING,)}
