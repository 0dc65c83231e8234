"""Constant-voltage lines, copper cable, loss along it, and low impedances.

IEC 60228:2004 (tables for class 2 and 5), ASTM B258 with IEC 60028 (AWG), IEC 60268-5 (80 % of rated impedance);
worked losses are the voltage divider, computed apart from this code.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import cables, impedances, line_loss, lines

TAPS_W = [0.5, 1, 2.5, 5, 6, 10, 15, 20, 30, 60, 100]
LINE_OHM = {
    25: [1250, 625, 250, 125, 104.17, 62.5, 41.67, 31.25, 20.83, 10.42, 6.25],
    70.7: [10000, 5000, 2000, 1000, 833.33, 500, 333.33, 250, 166.67, 83.33, 50],
    100: [20000, 10000, 4000, 2000, 1666.67, 1000, 666.67, 500, 333.33, 166.67, 100],
}
"""V² / P; at 70.7 V also the table of the constant voltage system (1 W: 5000 ohm, 10 W: 500 ohm)."""

IEC_60228 = {
    (0.75, 2): 24.5, (1.0, 2): 18.1, (1.5, 2): 12.1, (2.5, 2): 7.41, (4, 2): 4.61,
    (0.75, 5): 26.0, (1.0, 5): 19.5, (1.5, 5): 13.3, (2.5, 5): 7.98, (4, 5): 4.95,
}  # fmt: skip

AWG = {
    18: (1.0237, 0.8230, 20.948),
    16: (1.2908, 1.3087, 13.174),
    14: (1.6277, 2.0809, 8.285),
    12: (2.0525, 3.3088, 5.211),
}
"""Gauge -> mm, mm², ohm/km, by the formula of ASTM B258 and the resistivity of IEC 60028; two wire tables agree."""

sections = st.sampled_from([0.75, 1.0, 1.5, 2.5, 4.0])
lengths = st.floats(1, 1000)


@pytest.mark.parametrize("line_v", LINE_OHM)
def test_tap_impedances(line_v):
    assert lines.tap_impedance_ohm(TAPS_W, line_v) == pytest.approx(LINE_OHM[line_v], rel=1e-3)
    assert lines.tap_power_w(lines.tap_impedance_ohm(TAPS_W, line_v), line_v) == pytest.approx(TAPS_W)


def test_70_7_stands_for_the_rms_value_of_100_v_peak():
    assert lines.line_voltage_v(70.7) == lines.line_voltage_v(70) == pytest.approx(70.710678, abs=1e-6)
    assert lines.line_voltage_v(100) == 100
    assert lines.tap_impedance_ohm(10, 70.7) == pytest.approx(500, rel=1e-12)


def test_a_tap_on_another_line():
    assert lines.tap_power_on_other_line_w(10, 70.7, 100) == pytest.approx(20)
    assert lines.tap_power_on_other_line_w(10, 100, 70.7) == pytest.approx(5)
    assert lines.tap_change_db(10, lines.tap_power_on_other_line_w(10, 70.7, 100)) == pytest.approx(3.0103, abs=1e-4)


def test_changing_taps():
    assert lines.tap_change_db([30, 10], [15, 6]) == pytest.approx([-3.010, -2.218], abs=0.001)


def test_load_and_the_amplifiers_share():
    # 20 % reserve: common practice, no published source.
    taps_w = [30] * 7
    assert lines.load_power_w(taps_w) == 210
    assert lines.load_impedance_ohm(taps_w, 100) == pytest.approx(10_000 / 210)
    assert lines.amplifier_share(210, 250, reserve=0) == pytest.approx(0.84)
    assert lines.amplifier_share(210, 250, reserve=0.2) == pytest.approx(1.05)
    assert lines.amplifier_needed_w(200, reserve=0.2) == pytest.approx(250)
    assert lines.allowed_load_w(250, reserve=0.2) == pytest.approx(200)


@pytest.mark.parametrize(("conductor", "ohm_per_km"), IEC_60228.items(), ids=str)
def test_conductors_are_those_of_iec_60228(conductor, ohm_per_km):
    assert 1000 * cables.conductor_ohm_per_m(*conductor) == pytest.approx(ohm_per_km)


@pytest.mark.parametrize(("gauge", "expected"), AWG.items())
def test_american_wire_gauge(gauge, expected):
    found = (cables.awg_diameter_mm(gauge), cables.awg_section_mm2(gauge), 1000 * cables.awg_ohm_per_m(gauge))
    assert found == pytest.approx(expected, rel=1e-4)


def test_4_0_is_0_46_inch_and_36_is_5_mil():
    # The two gauges that define the series, ASTM B258.
    assert cables.awg_diameter_mm(-3) == pytest.approx(0.46 * 25.4, rel=1e-9)
    assert cables.awg_diameter_mm(36) == pytest.approx(0.005 * 25.4, rel=1e-9)


@pytest.mark.parametrize(("temperature_c", "factor"), [(20, 1), (40, 1.0786), (50, 1.1179)])
def test_warm_copper_resists_more(temperature_c, factor):
    assert cables.temperature_factor(temperature_c) == pytest.approx(factor, abs=1e-4)


@pytest.mark.parametrize(
    ("line_v", "load_w", "length_m", "ohm_per_m", "load_ohm", "loop_ohm", "loss_db", "left_w"),
    [
        (100, 200, 100, 0.0133, 50, 2.660, 0.4502, 180.31),
        (70.7, 200, 100, 0.0133, 24.992, 2.660, 0.8785, 163.37),
        (100, 200, 100, 0.00798, 50, 1.596, 0.2729, 187.82),
        (100, 500, 150, 0.00495, 20, 1.485, 0.6221, 433.27),
        (70.7, 100, 60, cables.awg_ohm_per_m(18), 49.985, 2.514, 0.4262, 90.65),
    ],
)
def test_worked_losses_at_the_end(line_v, load_w, length_m, ohm_per_m, load_ohm, loop_ohm, loss_db, left_w):
    impedance = lines.load_impedance_ohm([load_w], line_v)
    loop = cables.loop_ohm(length_m, ohm_per_m)
    loss = line_loss.lumped_loss_db(impedance, loop)
    # The worked values take 70.7 V to the letter: 0.03 % of the impedance.
    assert impedance == pytest.approx(load_ohm, rel=5e-4)
    assert loop == pytest.approx(loop_ohm, abs=0.0005)
    assert loss == pytest.approx(loss_db, abs=0.0005)
    assert line_loss.power_after_loss_w(load_w, loss) == pytest.approx(left_w, abs=0.02)


@pytest.mark.parametrize(
    ("load_ohm", "length_m", "section_mm2", "loss_db"),
    [(8, 100, 1.5, 2.4933), (8, 20, 2.5, 0.3398), (4, 20, 2.5, 0.6669), (2, 30, 4, 1.2026)],
)
def test_worked_losses_at_low_impedance(load_ohm, length_m, section_mm2, loss_db):
    loop = cables.loop_ohm(length_m, cables.conductor_ohm_per_m(section_mm2, 5))
    assert line_loss.lumped_loss_db(load_ohm, loop) == pytest.approx(loss_db, abs=0.0005)


def test_longest_runs():
    load_ohm = [50, 50, lines.load_impedance_ohm([200], 70.7), 8]
    ohm_per_m = [0.0133, 0.0133, 0.0133, 0.00798]
    found = line_loss.longest_run_m(load_ohm, ohm_per_m, [0.5, 1, 0.5, 0.5])
    assert found == pytest.approx([111.38, 229.36, 55.69, 29.70], abs=0.02)


@given(load_ohm=st.floats(2, 1000), section_mm2=sections, loss_db=st.floats(0.01, 6))
def test_the_longest_run_loses_just_that(load_ohm, section_mm2, loss_db):
    ohm_per_m = cables.conductor_ohm_per_m(section_mm2)
    length_m = float(line_loss.longest_run_m(load_ohm, ohm_per_m, loss_db))
    assert line_loss.lumped_loss_db(load_ohm, cables.loop_ohm(length_m, ohm_per_m)) == pytest.approx(loss_db)


@given(load_ohm=st.floats(2, 1000), section_mm2=sections, length_m=lengths, longer=st.floats(1.001, 3))
def test_loss_grows_with_length_and_shrinks_with_section(load_ohm, section_mm2, length_m, longer):
    def loss(metres, square_millimetres):
        loop = cables.loop_ohm(metres, cables.conductor_ohm_per_m(square_millimetres))
        return line_loss.lumped_loss_db(load_ohm, loop)

    assert loss(length_m * longer, section_mm2) > loss(length_m, section_mm2)
    assert all(loss(length_m, thin) > loss(length_m, thick) for thin, thick in itertools.pairwise(cables.OHM_PER_KM[5]))


def test_ten_taps_along_a_line():
    found = line_loss.distributed(20, line_loss.equally_spaced_m(10, 10), 100, 0.0133)
    expected_v = [99.479, 99.010, 98.594, 98.231, 97.920, 97.661, 97.454, 97.299, 97.196, 97.144]
    assert found.voltages_v == pytest.approx(expected_v, abs=0.0006)
    assert found.losses_db[-1] == pytest.approx(0.2517, abs=0.0001)


def test_sixteen_taps_along_a_70_v_line():
    found = line_loss.distributed(10, line_loss.equally_spaced_m(16, 6), 70.7, cables.awg_ohm_per_m(18))
    assert found.voltages_v[-1] == pytest.approx(66.126, rel=3e-4)
    assert found.losses_db[-1] == pytest.approx(0.581, abs=0.0005)


@given(
    taps_w=st.lists(st.floats(0.5, 60), min_size=1, max_size=12),
    gaps_m=st.lists(st.floats(0, 40), min_size=12, max_size=12),
)
def test_the_ladder_obeys_kirchhoff(taps_w, gaps_m):
    distances = np.cumsum(gaps_m[: len(taps_w)])
    volts, losses, powers = line_loss.distributed(taps_w, distances, 100, 0.0133)
    currents = volts * np.array(taps_w) / 100**2
    drops = -np.diff(volts, prepend=100.0)
    behind = np.cumsum(currents[::-1])[::-1]
    assert drops == pytest.approx(2 * 0.0133 * np.diff(distances, prepend=0.0) * behind, abs=1e-9)
    assert powers == pytest.approx(volts * currents)
    assert np.all(np.diff(losses) >= -1e-12)


@given(tap_w=st.floats(1, 200), length_m=lengths)
def test_one_tap_at_the_end_is_the_lumped_load(tap_w, length_m):
    loop = cables.loop_ohm(length_m, 0.0133)
    expected = line_loss.lumped_loss_db(lines.load_impedance_ohm([tap_w], 100), loop)
    assert line_loss.distributed([tap_w], [length_m], 100, 0.0133).losses_db == pytest.approx([float(expected)])


@given(tap_w=st.floats(1, 30), count=st.integers(2, 20))
def test_spread_loads_lose_less_than_all_at_the_end(tap_w, count):
    spread = line_loss.distributed(tap_w, line_loss.equally_spaced_m(count, 100 / count), 100, 0.0133).losses_db[-1]
    at_the_end = line_loss.lumped_loss_db(lines.load_impedance_ohm([tap_w] * count, 100), cables.loop_ohm(100, 0.0133))
    assert spread < at_the_end


@pytest.mark.parametrize(
    ("each", "expected_ohm"),
    [([16] * 4, 4), ([8, 8], 4), ([8, 8, 8], 2.667), ([8, 8, 4], 2), ([16, 8], 5.333), ([16] * 5, 3.2)],
)
def test_parallel_loudspeakers(each, expected_ohm):
    assert impedances.parallel_ohm(each) == pytest.approx(expected_ohm, abs=0.0005)


def test_two_pairs_in_series_beside_each_other():
    pair = impedances.series_ohm([8, 8])
    assert pair == 16
    assert impedances.parallel_ohm([pair, pair]) == pytest.approx(8)


def test_an_amplifiers_minimum():
    # IEC 60268-5: the modulus may dip to 80 % of the rated impedance.
    assert impedances.lowest_ohm(4) == pytest.approx(3.2)
    assert impedances.can_drive(impedances.parallel_ohm([16] * 4), 4)
    assert not impedances.can_drive(impedances.parallel_ohm([16] * 5), 4)
    assert not impedances.can_drive(impedances.parallel_ohm([16] * 4), 4, dips_count=True)
    assert impedances.can_drive(5, 4, dips_count=True)


NAN, INFINITE = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: lines.tap_impedance_ohm(0, 100), "tap_w"),
        (lambda: lines.tap_impedance_ohm(10, 0), "line_v"),
        (lambda: lines.tap_impedance_ohm(10, NAN), "line_v"),
        (lambda: lines.load_power_w([]), "taps_w"),
        (lambda: lines.load_power_w([10, -1]), "taps_w"),
        (lambda: lines.amplifier_share(10, 0, reserve=0.2), "amplifier_w"),
        (lambda: lines.amplifier_share(0, 10, reserve=0.2), "load_w"),
        (lambda: lines.amplifier_needed_w(10, reserve=1), "reserve"),
        (lambda: lines.allowed_load_w(10, reserve=NAN), "reserve"),
        (lambda: cables.conductor_ohm_per_m(0), "section_mm2"),
        (lambda: cables.conductor_ohm_per_m(NAN), "section_mm2"),
        (lambda: cables.conductor_ohm_per_m(2), "section_mm2 must be one of"),
        (lambda: cables.conductor_ohm_per_m(1.5, 1), "conductor_class"),
        (lambda: cables.awg_diameter_mm(41), "gauge"),
        (lambda: cables.temperature_factor(-300), "temperature_c"),
        (lambda: cables.temperature_factor(-250), "temperature_c"),
        (lambda: cables.loop_ohm(-1, 0.01), "length_m"),
        (lambda: cables.loop_ohm(1, 0), "ohm_per_m"),
        (lambda: line_loss.lumped_loss_db(0, 1), "load_ohm"),
        (lambda: line_loss.lumped_loss_db(8, -1), "loop_ohm"),
        (lambda: line_loss.longest_run_m(8, 0, 0.5), "ohm_per_m"),
        (lambda: line_loss.longest_run_m(8, 0.01, INFINITE), "loss_db"),
        (lambda: line_loss.power_after_loss_w(10, -1), "loss_db"),
        (lambda: line_loss.equally_spaced_m(0, 10), "count"),
        (lambda: line_loss.distributed([10, 10], [10, 5], 100, 0.01), "distances_m must ascend"),
        (lambda: line_loss.distributed([10, 10, 10], [5, 10], 100, 0.01), "taps_w holds 3"),
        (lambda: line_loss.distributed([10], [5], 100, 0), "ohm_per_m"),
        (lambda: impedances.parallel_ohm([8, 0]), "impedances_ohm"),
        (lambda: impedances.series_ohm([]), "impedances_ohm"),
        (lambda: impedances.can_drive(4, 0), "minimum_ohm"),
        (lambda: impedances.can_drive(NAN, 4), "rated_ohm"),
    ],
)
def test_what_no_line_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
