"""Ceiling loudspeakers: geometry, computed apart from this code.

Names of patterns: common practice, no published source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import coverage

lattices = st.sampled_from(["square", "hexagonal"])
rooms = st.floats(1, 60)


@pytest.mark.parametrize(
    ("ceiling_m", "ear_m", "angle_deg", "diameter_m", "edge_loss_db"),
    [
        (2.8, 1.5, 90, 2.6, 3.010),
        (3.0, 1.2, 90, 3.6, 3.010),
        (4.0, 1.2, 90, 5.6, 3.010),
        (3.0, 1.2, 60, 2.0785, 1.249),
        (3.0, 1.2, 100, 4.2903, 3.839),
        (3.0, 1.2, 110, 5.1413, 4.828),
        (3.0, 1.2, 120, 6.2354, 6.021),
        (3.0, 1.2, 150, 13.4354, 11.740),
        (3.0, 1.2, 170, 41.1482, 21.194),
        (6.0, 1.2, 90, 9.6, 3.010),
    ],
)
def test_diameter_at_ear_height_and_loss_at_its_edge(ceiling_m, ear_m, angle_deg, diameter_m, edge_loss_db):
    assert coverage.diameter_m(ceiling_m, ear_m, angle_deg) == pytest.approx(diameter_m, abs=1e-4)
    assert coverage.edge_loss_db(angle_deg) == pytest.approx(edge_loss_db, abs=0.001)


@pytest.mark.parametrize(
    ("lattice", "density", "spacing_m", "row_pitch_m", "cell_m2", "per_row", "rows"),
    [
        ("square", "edge", 3.6, 3.6, 12.960, 4, 3),
        ("square", "overlap", 2.5456, 2.5456, 6.480, 5, 4),
        ("square", "centre", 1.8, 1.8, 3.240, 7, 5),
        ("hexagonal", "edge", 3.6, 3.118, 11.224, 4, 3),
        ("hexagonal", "overlap", 3.1177, 2.700, 8.418, 4, 4),
        ("hexagonal", "centre", 1.8, 1.559, 2.806, 7, 6),
    ],
)
def test_a_worked_room_of_12_by_9_m(lattice, density, spacing_m, row_pitch_m, cell_m2, per_row, rows):
    spacing = coverage.spacing_m(3.6, lattice, density)
    assert spacing == pytest.approx(spacing_m, abs=1e-4)
    assert coverage.row_pitch_m(spacing, lattice) == pytest.approx(row_pitch_m, abs=0.0005)
    assert coverage.cell_area_m2(spacing, lattice) == pytest.approx(cell_m2, abs=0.0005)
    grid = coverage.grid(12, 9, spacing, lattice)
    assert grid == (per_row, rows)
    assert grid.total == per_row * rows


def test_a_room_that_divides_evenly_takes_no_extra_row():
    assert coverage.grid(0.3, 0.3, 0.1, "square") == (3, 3)


def test_a_cupboard_takes_one():
    assert coverage.grid(1, 1, 3, "square") == coverage.grid(1, 1, 3, "hexagonal") == (1, 1)


@given(length_m=rooms, width_m=rooms, spacing_m=st.floats(0.5, 10), shrink=st.floats(0.3, 1), lattice=lattices)
def test_the_count_never_falls_when_spacing_shrinks(length_m, width_m, spacing_m, shrink, lattice):
    wide = coverage.grid(length_m, width_m, spacing_m, lattice)
    narrow = coverage.grid(length_m, width_m, spacing_m * shrink, lattice)
    assert narrow.per_row >= wide.per_row >= 1
    assert narrow.rows >= wide.rows >= 1


@given(length_m=rooms, width_m=rooms, spacing_m=st.floats(0.5, 10), lattice=lattices)
def test_the_cells_fill_the_room(length_m, width_m, spacing_m, lattice):
    grid = coverage.grid(length_m, width_m, spacing_m, lattice)
    assert grid.total * coverage.cell_area_m2(spacing_m, lattice) >= length_m * width_m * (1 - 1e-6)


@pytest.mark.parametrize(("lattice", "share"), [("square", 1 - math.pi / 4), ("hexagonal", 0.0931)])
def test_edge_to_edge_leaves_floor_uncovered(lattice, share):
    assert coverage.uncovered_share(3.6, 3.6, lattice) == pytest.approx(share, abs=5e-5)


@given(lattice=lattices, diameter_m=st.floats(1, 20))
def test_minimum_overlap_leaves_nothing_uncovered(lattice, diameter_m):
    spacing = coverage.spacing_m(diameter_m, lattice, "overlap")
    assert coverage.uncovered_share(spacing, diameter_m, lattice) == 0
    assert coverage.uncovered_share(spacing * 1.01, diameter_m, lattice) > 0


@pytest.mark.parametrize("lattice", ["square", "hexagonal"])
@pytest.mark.parametrize("spacing", [0.75, 0.9, 0.95, 1.0, 1.3])
def test_uncovered_share_is_what_counting_points_finds(lattice, spacing):
    # Points of one cell by the distance to the nearest loudspeaker, circles of diameter 1.
    pitch = coverage.row_pitch_m(spacing, lattice)
    x, y = np.meshgrid((np.arange(400) + 0.5) / 400 * spacing, (np.arange(800) + 0.5) / 400 * pitch)
    shift = spacing / 2 if lattice == "hexagonal" else 0.0
    nearest = np.min(
        [np.hypot(x - i * spacing - shift * (row % 2), y - row * pitch) for i in range(-1, 3) for row in range(-1, 4)],
        axis=0,
    )
    assert coverage.uncovered_share(spacing, 1.0, lattice) == pytest.approx(np.mean(nearest > 0.5), abs=0.002)


@given(angle_deg=st.floats(1, 178), wider=st.floats(0.1, 1))
def test_wider_angles_cover_more_and_lose_more(angle_deg, wider):
    assert coverage.diameter_m(3, 1.2, angle_deg + wider) > coverage.diameter_m(3, 1.2, angle_deg)
    assert coverage.edge_loss_db(angle_deg + wider) > coverage.edge_loss_db(angle_deg)


def test_angles_over_120_degrees_are_wide():
    # Common practice, no published source.
    assert [coverage.is_wide(angle) for angle in (90, 120, 121)] == [False, False, True]


NAN = float("nan")


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: coverage.diameter_m(3, 1.2, 180), "angle_deg must be less than 180"),
        (lambda: coverage.diameter_m(3, 1.2, 0), "angle_deg"),
        (lambda: coverage.edge_loss_db(200), "angle_deg"),
        (lambda: coverage.is_wide(NAN), "angle_deg"),
        (lambda: coverage.diameter_m(1.2, 1.2, 90), "ceiling_m"),
        (lambda: coverage.diameter_m(3, -1, 90), "ear_m"),
        (lambda: coverage.spacing_m(0, "square", "edge"), "diameter_m"),
        (lambda: coverage.spacing_m(3, "square", "loose"), "density"),
        (lambda: coverage.spacing_m(3, "round", "edge"), "lattice"),
        (lambda: coverage.row_pitch_m(3, "round"), "lattice"),
        (lambda: coverage.grid(0, 9, 3, "square"), "length_m"),
        (lambda: coverage.grid(12, float("inf"), 3, "square"), "width_m"),
        (lambda: coverage.grid(12, 9, 0, "square"), "spacing_m"),
        (lambda: coverage.uncovered_share(3, -1, "square"), "diameter_m"),
    ],
)
def test_what_no_room_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
