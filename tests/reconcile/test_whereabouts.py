"""Where a position is as seen from the listening point: front is the stage, left is the audience's left."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from fleet.model.venue import Point, Position, Room
from fleet.reconcile.whereabouts import whereabouts

metres = st.floats(min_value=-200, max_value=200)
points = st.tuples(metres, metres, metres)


def room(listen_at_m: Point | None) -> Room:
    return Room(name="hall", title="Hall", positions={}, groups={}, listen_at_m=listen_at_m)


def position(at_m: Point | None, listen_at_m: Point | None = None) -> Position:
    return Position(name="p", room="hall", device="box-1", at_m=at_m, listen_at_m=listen_at_m)


def test_front_left_and_up_of_the_listening_point() -> None:
    found = whereabouts(room((12, 0, 1.2)), position((0, -4, 5.2)))
    assert found is not None
    assert (found.ahead_m, found.right_m, round(found.above_m, 9)) == (12, -4, 4)
    assert math.isclose(found.distance_m, math.sqrt(144 + 16 + 16))


def test_the_room_s_point_goes_before_the_position_s_own() -> None:
    own = position((0, 0, 0), listen_at_m=(5, 0, 0))
    shared, alone = whereabouts(room((9, 0, 0)), own), whereabouts(room(None), own)
    assert shared is not None
    assert alone is not None
    assert (shared.ahead_m, alone.ahead_m) == (9, 5)


def test_nothing_is_told_without_either() -> None:
    assert whereabouts(room(None), position((0, 0, 0))) is None
    assert whereabouts(room((0, 0, 0)), position(None)) is None


@given(ear=points, at=points)
def test_the_three_ways_make_up_the_distance(ear: Point, at: Point) -> None:
    found = whereabouts(room(ear), position(at))
    assert found is not None
    assert math.isclose(found.distance_m, math.hypot(found.ahead_m, found.right_m, found.above_m), abs_tol=1e-9)
