"""Resistance of copper cable by cross-section or gauge, length and temperature.

Sources: IEC 60228:2004, tables for class 2 (stranded) and class 5 (flexible) plain copper, greatest resistance at
20 °C; diameters of the American wire gauge by ASTM B258; resistivity and temperature coefficient of annealed copper
by IEC 60028.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from fleet.acoustics.arguments import above_absolute_zero, finite, not_negative, positive

OHM_PER_KM: Final[Mapping[int, Mapping[float, float]]] = {
    2: {0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61},
    5: {0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95},
}
"""Class of conductor -> cross-section in mm² -> ohm per km of one conductor."""

COPPER_OHM_MM2_PER_M: Final = 0.017241
COPPER_PER_K: Final = 0.00393


def conductor_ohm_per_m(section_mm2: float, conductor_class: int = 5) -> float:
    """Greatest resistance at 20 °C of one metre of one conductor, for a cross-section of the table."""
    positive("section_mm2", section_mm2)
    sections = OHM_PER_KM.get(conductor_class)
    if sections is None:
        raise ValueError(f"conductor_class must be one of {', '.join(map(str, OHM_PER_KM))}, not {conductor_class}")
    if section_mm2 not in sections:
        known = ", ".join(f"{section:g}" for section in sections)
        raise ValueError(f"section_mm2 must be one of {known}, not {section_mm2:g}")
    return sections[section_mm2] / 1000


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of solid wire: 0.127 mm * 92^((36 - n) / 39); 0, -1, -2 and -3 stand for 1/0 to 4/0."""
    finite("gauge", gauge)
    if not -3 <= gauge <= 40:
        raise ValueError(f"gauge must lie between -3 and 40, not {gauge}")
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def awg_section_mm2(gauge: int) -> float:
    """Cross-section of solid wire."""
    return math.pi * awg_diameter_mm(gauge) ** 2 / 4


def awg_ohm_per_m(gauge: int) -> float:
    """Resistance at 20 °C of one metre of solid copper; stranded wire has up to about 3 % more."""
    return COPPER_OHM_MM2_PER_M / awg_section_mm2(gauge)


def temperature_factor(temperature_c: float) -> float:
    """Resistance of copper at a temperature relative to 20 °C; the straight line holds for about -50 to 150 °C."""
    above_absolute_zero("temperature_c", temperature_c)
    factor = 1 + COPPER_PER_K * (temperature_c - 20)
    if factor <= 0:
        raise ValueError(f"temperature_c is too low for the resistance of copper to fall in a line: {temperature_c:g}")
    return factor


def loop_ohm(length_m: float, ohm_per_m: float) -> float:
    """Resistance of a cable with two conductors, there and back, from its one-way length."""
    not_negative("length_m", length_m)
    positive("ohm_per_m", ohm_per_m)
    return 2 * length_m * ohm_per_m
