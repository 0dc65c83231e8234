"""The desk calculator against published values; each source stands beside its check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from fleet.errors import BadInput
from fleet.services.calculators import eq, line, room
from fleet.services.calculators.hearing import allowed_time

# --- filters


@pytest.mark.parametrize(
    ("band", "section"),
    [
        # Audio EQ Cookbook (W3C Note, 2021), coefficients at 48 kHz worked out from its formulas.
        ("bell,1000,6,1", [1.0439530870, -1.8953207239, 0.8677222848, 1, -1.8953207239, 0.9116753718]),
        ("low_shelf,200,-4,0.70710678", [0.9957376260, -1.9586207267, 0.9634163943, 1, -1.9584647668, 0.9593099801]),
        ("notch,1000,0,10", [0.9935160069, -1.9700326795, 0.9935160069, 1, -1.9700326795, 0.9870320139]),
    ],
)
def test_a_band_has_the_cookbook_s_coefficients(band: str, section: list[float]) -> None:
    assert eq.eq([band]).values["sections"][0] == pytest.approx(section, abs=1e-8)  # type: ignore[index]


def test_a_chain_answers_as_scipy_computes_it() -> None:
    # Worked chain at 48 kHz: Linkwitz-Riley 24 dB/oct at 100 Hz and three bands; scipy as another implementation.
    bands = ["high_pass,linkwitz_riley,24,100", "bell,250,-3,2", "high_shelf,8000,2,0.70710678", "bell,2500,1.5,1.4"]
    at = [50, 100, 200, 250, 1000, 2500, 8000, 16000]
    answer = eq.eq(bands, at_hz=at)
    published = [-24.6418, -6.1830, -2.1773, -3.2118, 0.0994, 1.5057, 1.0704, 1.9824]
    assert answer.values["gain_db"] == pytest.approx(published, abs=0.001)
    _, response = signal.sosfreqz(np.array(answer.values["sections"]), worN=at, fs=48_000)
    assert answer.values["gain_db"] == pytest.approx(20 * np.log10(np.abs(response)), abs=1e-6)


def test_without_frequencies_the_third_octaves_of_iec_61260_1_are_told() -> None:
    at = eq.eq(["bell,1000,6,1"]).values["at_hz"]
    assert at[0] == pytest.approx(19.9526, abs=1e-4)  # type: ignore[index]  # IEC 61260-1:2014, exact base-10 mid-band
    assert at[-1] == pytest.approx(19952.6, abs=0.1)  # type: ignore[index]
    assert len(at) == 31  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("bands", "rate", "words"),
    [
        ([], 48_000, "no band was given"),
        (["bell,1000,6"], 48_000, "'bell,1000,6' is no band"),
        (["warble,1000,6,1"], 48_000, "is no band"),
        (["bell,0,6,1"], 48_000, "frequency_hz"),
        (["bell,-5,6,1"], 48_000, "frequency_hz"),
        (["bell,nan,6,1"], 48_000, "frequency_hz"),
        (["bell,1000,inf,1"], 48_000, "gain_db"),
        (["bell,1000,6,0"], 48_000, "q"),
        (["bell,one,6,1"], 48_000, "'one' is no number"),
        (["bell,24000,6,1"], 48_000, "half the sample rate"),
        (["high_pass,linkwitz_riley,18,90"], 48_000, "no linkwitz_riley filter of 18 dB"),
        (["high_pass,linkwitz_riley,24,30000"], 48_000, "half the sample rate"),
        (["bell,1000,6,1"], 0, "--rate"),
        (["bell,1000,6,1"], math.nan, "--rate"),
    ],
)
def test_a_band_that_cannot_be_is_named(bands: list[str], rate: float, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        eq.eq(bands, rate_hz=rate)


@pytest.mark.parametrize("frequency", [0.0, -1.0, 24_000.0, math.inf])
def test_a_frequency_to_look_at_must_lie_below_nyquist(frequency: float) -> None:
    with pytest.raises(BadInput, match="--at"):
        eq.eq(["bell,1000,6,1"], at_hz=[frequency])


# --- delay, level, coverage


def test_delay_by_the_formula_of_cramer_beside_that_of_iso_9613_1() -> None:
    # O. Cramer, JASA 93(5), 1993: 343.987 m/s at 20 °C and 50 %; ISO 9613-1:1993, A.5: 343.2 m/s at 20 °C.
    values = room.delay_over(18.0, temperature_c=20, humidity_percent=50, offset_ms=10).values
    assert values["speed_m_s"] == pytest.approx(343.987, abs=0.001)
    assert values["by_temperature_alone_m_s"] == pytest.approx(343.2, abs=0.001)
    assert values["delay_ms"] == pytest.approx(1000 * 18 / 343.987 + 10, abs=0.001)
    assert values["samples"] == pytest.approx(48 * (1000 * 18 / 343.987 + 10), abs=0.1)


@pytest.mark.parametrize(
    ("sensitivity", "power", "distance", "level"),
    # L = S + 10 lg P - 20 lg r; worked examples of the handbook formula.
    [(90, 100, 8, 91.938), (87, 30, 3, 92.229), (93, 250, 20, 90.959), (88, 6, 2.2, 88.933)],
)
def test_level_at_a_distance(sensitivity: float, power: float, distance: float, level: float) -> None:
    assert room.level_at(sensitivity, power, distance).values["level_db"] == pytest.approx(level, abs=0.001)


def test_several_add_up_in_phase_or_by_energy() -> None:
    # N equal sources: + 20 lg N coherent, + 10 lg N incoherent; 4 x 94 dB are 106.041 and 100.021 dB.
    coherent = room.level_at(94, 1, 1, count=4, summed="coherent").values["level_db"]
    assert coherent == pytest.approx(106.041, abs=0.001)
    assert room.level_at(94, 1, 1, count=4).values["level_db"] == pytest.approx(100.021, abs=0.001)


@pytest.mark.parametrize(
    ("pattern", "spacing", "count"),
    # Worked example: 12 x 9 m, ceiling 3 m, ears 1.2 m, 90 degrees: D = 3.6 m; rounded up in each row and in rows.
    [
        ("square", "edge", 12),
        ("square", "overlap", 20),
        ("square", "centre", 35),
        ("hexagonal", "edge", 12),
        ("hexagonal", "overlap", 16),
        ("hexagonal", "centre", 42),
    ],
)
def test_ceiling_loudspeakers_for_a_room(pattern: str, spacing: str, count: int) -> None:
    values = room.ceiling_coverage(3.0, 1.2, 90, (12, 9), pattern=pattern, spacing=spacing).values  # type: ignore[arg-type]
    assert values["diameter_m"] == pytest.approx(3.6, abs=1e-9)
    assert values["count"] == count


def test_a_very_wide_angle_comes_with_its_caveat() -> None:
    assert not any("120 degrees" in c for c in room.ceiling_coverage(3, 1.2, 120, (12, 9)).cautions)
    wide = room.ceiling_coverage(3, 1.2, 150, (12, 9))
    assert any("11.7 dB" in c for c in wide.cautions)  # -20 lg cos(75°) = 11.74 dB


# --- lines


@pytest.mark.parametrize(
    ("volts", "length", "section", "loss"),
    # 200 W at the far end, IEC 60228 class 5 at 20 °C: 13.3 ohm/km for 1.5 mm², 7.98 for 2.5 mm².
    [(100, 100, 1.5, 0.4502), (70.7, 100, 1.5, 0.8785), (100, 100, 2.5, 0.2729)],
)
def test_loss_of_a_line(volts: float, length: float, section: float, loss: float) -> None:
    values = line.line(volts, 250, ["20x10"], cable_m=length, cable_mm2=section).values
    assert values["cable_loss_db"] == pytest.approx(loss, abs=0.0005)


def test_load_and_share_of_a_line() -> None:
    # Z = V² / P: 200 W on 100 V are 50 ohm; 80 % of 250 W is the common rule of thumb, no standard.
    values = line.line(100, 250, ["6x10", "4x35"]).values
    assert values["load_w"] == 200
    assert values["load_ohm"] == pytest.approx(50)
    assert values["used_percent"] == pytest.approx(80)
    assert values["cable_loss_db"] is None
    assert not any("no such reserve" in c for c in line.line(100, 250, ["20x10"]).cautions)
    assert any("no such reserve" in c for c in line.line(100, 250, ["21x10"]).cautions)


# --- exposure


def test_allowed_time_by_each_criterion() -> None:
    # NIOSH 98-126: 97 dBA for 30 min. 29 CFR 1910.95, table G-16a: 3.031 h. WHO 2022: 100 dB LAeq,15 min.
    values = allowed_time(97.0).values
    assert values["niosh_minutes"] == pytest.approx(30.0, abs=1e-9)
    assert values["osha_minutes"] == pytest.approx(60 * 3.031, abs=0.05)
    # Directive 2003/10/EC, LEX,8h by equal energy: 85 dB(A) upper action value.
    assert values["eu_upper_action_minutes"] == pytest.approx(480 * 10 ** (-1.2), abs=1e-6)
    assert values["who_minutes_in_15"] == 15
    assert allowed_time(103.0).values["who_minutes_in_15"] == pytest.approx(15 * 10**-0.3)


# --- bad input names the option


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (lambda: room.delay_over(-1), "--distance-m"),
        (lambda: room.delay_over(math.nan), "--distance-m"),
        (lambda: room.delay_over(10, temperature_c=-300), "--temperature-c"),
        (lambda: room.delay_over(10, humidity_percent=120), "--humidity-percent"),
        (lambda: room.delay_over(1, offset_ms=-50), "--offset-ms"),
        (lambda: room.delay_over(1, rate_hz=0), "--rate"),
        (lambda: room.level_at(90, 0, 1), "--power-w"),
        (lambda: room.level_at(90, 1, 0), "--distance-m"),
        (lambda: room.level_at(math.inf, 1, 1), "--sensitivity-db"),
        (lambda: room.ceiling_coverage(3, 1.2, 180, (12, 8)), "--angle-deg"),
        (lambda: room.ceiling_coverage(3, 1.2, 0, (12, 8)), "--angle-deg"),
        (lambda: room.ceiling_coverage(1, 1.2, 90, (12, 8)), "--ceiling-m"),
        (lambda: room.ceiling_coverage(3, 1.2, 90, (0, 8)), "--room-m"),
        (lambda: line.line(0, 100, ["1x10"]), "--volts"),
        (lambda: line.line(100, 0, ["1x10"]), "--amplifier-w"),
        (lambda: line.line(100, 100, ["1x0"]), "--loudspeaker"),
        (lambda: line.line(100, 100, ["0x5"]), "--loudspeaker"),
        (lambda: line.line(100, 100, ["six"]), "--loudspeaker"),
        (lambda: line.line(100, 100, []), "--loudspeaker"),
        (lambda: line.line(100, 100, ["1x10"], cable_m=5), "--cable-mm2"),
        (lambda: line.line(100, 100, ["1x10"], cable_m=5, cable_mm2=0), "--cable-mm2"),
        (lambda: line.line(100, 100, ["1x10"], cable_m=-5, cable_mm2=1.5), "--cable-m"),
        (lambda: allowed_time(math.nan), "--level-db"),
    ],
)
def test_what_cannot_be_names_its_option(asked, words) -> None:
    with pytest.raises(BadInput, match=words):
        asked()
