"""Ceiling loudspeakers: what each covers at ear height, how far apart they may be, and how many a room takes.

Geometry of cones that point straight down and of regular lattices. The names of patterns and 120 degrees as the angle
from which the formula flatters are common practice, no published source. Lengths in m, angles in degrees between the
-6 dB directions of a stated band.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

from fleet.acoustics.arguments import not_negative, positive

Lattice = Literal["square", "hexagonal"]
Density = Literal["edge", "overlap", "centre"]
"""Circles touch; circles just leave no gap; each circle reaches the next one's centre."""

WIDE_ANGLE_DEG: Final = 120.0

_SPACING: Final[Mapping[tuple[str, str], float]] = {
    ("square", "edge"): 1.0,
    ("square", "overlap"): math.sqrt(1 / 2),
    ("square", "centre"): 0.5,
    ("hexagonal", "edge"): 1.0,
    ("hexagonal", "overlap"): math.sqrt(3) / 2,
    ("hexagonal", "centre"): 0.5,
}
"""In diameters."""

_ROW_PITCH: Final[Mapping[str, float]] = {"square": 1.0, "hexagonal": math.sqrt(3) / 2}
"""In spacings."""

_NEIGHBOURS: Final[Mapping[str, int]] = {"square": 2, "hexagonal": 3}
"""Pairs of neighbouring circles for each circle."""


class Grid(NamedTuple):
    """Loudspeakers in each row and rows."""

    per_row: int
    rows: int

    @property
    def total(self) -> int:
        return self.per_row * self.rows


def diameter_m(ceiling_m: float, ear_m: float, angle_deg: float) -> float:
    """Diameter of the covered circle at ear height: 2 (ceiling - ear) tan(angle / 2)."""
    _check_angle(angle_deg)
    positive("ceiling_m", ceiling_m)
    not_negative("ear_m", ear_m)
    if ceiling_m <= ear_m:
        raise ValueError(f"ceiling_m must lie above ear_m, but {ceiling_m:g} m is not above {ear_m:g} m")
    return 2 * (ceiling_m - ear_m) * math.tan(math.radians(angle_deg) / 2)


def is_wide(angle_deg: float) -> bool:
    """Whether an angle is so wide (over 120 degrees) that the diameter promises more than listeners at its edge get."""
    _check_angle(angle_deg)
    return angle_deg > WIDE_ANGLE_DEG


def edge_loss_db(angle_deg: float) -> float:
    """What longer distance takes at the edge of the circle re its centre, in dB, besides the 6 dB of the angle."""
    _check_angle(angle_deg)
    return -20 * math.log10(math.cos(math.radians(angle_deg) / 2))


def spacing_m(diameter_m: float, lattice: Lattice, density: Density) -> float:
    """Distance between neighbours in a row."""
    positive("diameter_m", diameter_m)
    _check_lattice(lattice)
    if (lattice, density) not in _SPACING:
        raise ValueError(f"density must be edge, overlap or centre, not {density}")
    return _SPACING[lattice, density] * diameter_m


def row_pitch_m(spacing_m: float, lattice: Lattice) -> float:
    """Distance between rows; every other row of a hexagonal lattice is shifted by half a spacing."""
    positive("spacing_m", spacing_m)
    _check_lattice(lattice)
    return _ROW_PITCH[lattice] * spacing_m


def cell_area_m2(spacing_m: float, lattice: Lattice) -> float:
    """Floor for each loudspeaker."""
    return spacing_m * row_pitch_m(spacing_m, lattice)


def grid(length_m: float, width_m: float, spacing_m: float, lattice: Lattice) -> Grid:
    """Loudspeakers for a rectangular room, rows along its length, rounded up for each row and for the rows.

    Shifted rows of a hexagonal lattice are counted as long as the others; against a wall they may need one more.
    """
    positive("length_m", length_m)
    positive("width_m", width_m)
    pitch_m = row_pitch_m(spacing_m, lattice)
    return Grid(_rounded_up(length_m / spacing_m), _rounded_up(width_m / pitch_m))


def uncovered_share(spacing_m: float, diameter_m: float, lattice: Lattice) -> float:
    """Part of a large floor outside every circle: 1 - pi / 4 for a square lattice edge to edge, 0 from overlap on."""
    positive("diameter_m", diameter_m)
    cell_m2 = cell_area_m2(spacing_m, lattice)
    if spacing_m <= _SPACING[lattice, "overlap"] * diameter_m:
        return 0.0
    # Wider than that, no point lies in three circles: a cell holds one circle less what pairs of circles share.
    apart = min(spacing_m, diameter_m)
    lens_m2 = (diameter_m**2 * math.acos(apart / diameter_m) - apart * math.sqrt(diameter_m**2 - apart**2)) / 2
    return 1 - (math.pi * diameter_m**2 / 4 - _NEIGHBOURS[lattice] * lens_m2) / cell_m2


def _rounded_up(ratio: float) -> int:
    # 9 m / 1.8 m must be 5 rows, whatever the last digit says.
    return max(1, math.ceil(ratio - 1e-9))


def _check_angle(angle_deg: float) -> None:
    positive("angle_deg", angle_deg)
    if angle_deg >= 180:
        raise ValueError(f"angle_deg must be less than 180, not {angle_deg:g}: no cone has that angle")


def _check_lattice(lattice: str) -> None:
    if lattice not in _ROW_PITCH:
        raise ValueError(f"lattice must be square or hexagonal, not {lattice}")
