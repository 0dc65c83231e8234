"""Curves of target points: read, resolved into positions, chained with bands, and described by the schema."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from fleet.desired.load import load
from fleet.desired.schemas import room_schema, venue_schema
from fleet.errors import BadFiles
from fleet.model.settings import Band
from fleet.model.venue import TargetCurve

VENUE = """\
format: 1
name: The Weir
time_zone: Europe/Lisbon
curves:
  venue-wide: {points: {100: 1, 1e4: -1}}
"""
ROOM = """\
format: 1
room: hall
curves:
  measured: {points: {1000: 0, 31.5: 4, 16000: -4, "125": 2.5, 8000: -2}}
  soft: [{shape: bell, frequency_hz: 3000, gain_db: -2, q: 1}]
house_curve: {curve: measured, slot: 5}
groups:
  plain: {eq: []}
  bent: {eq: [soft, venue-wide]}
positions:
  left: {device: box-1}
  right: {device: box-2, eq: [house, {shape: bell, frequency_hz: 250, gain_db: -3, q: 2}]}
  sub: {device: box-3, groups: [plain]}
  fill: {device: box-4, groups: [bent]}
  lobby: {device: box-5, eq: venue-wide}
  horn: {device: box-6, life_safety: true}
"""
HOUSE = TargetCurve(points=((31.5, 4), (125, 2.5), (1000, 0), (8000, -2), (16000, -4)))
WIDE = TargetCurve(points=((100, 1), (10_000, -1)))
SOFT = Band(shape="bell", frequency_hz=3000, gain_db=-2, q=1)


def positions(room=ROOM):
    return load({"venue.yaml": VENUE, "rooms/hall.yaml": room}).venue.rooms["hall"].positions


@pytest.mark.parametrize(
    ("name", "target", "bands"),
    [
        ("left", HOUSE, ()),
        ("right", HOUSE, (Band(shape="bell", frequency_hz=250, gain_db=-3, q=2),)),
        ("sub", None, ()),
        ("fill", WIDE, (SOFT,)),
        ("lobby", WIDE, ()),
        ("horn", None, None),
    ],
)
def test_a_position_has_the_target_of_its_chain_and_the_bands_beside_it(name, target, bands):
    position = positions()[name]
    assert (position.target, position.fixed.eq) == (target, bands)


def test_groups_with_different_targets_disagree():
    both = ROOM.replace("groups: [bent]", "groups: [bent, measured]").replace(
        "  plain:", "  measured: {eq: house}\n  plain:"
    )
    with pytest.raises(
        BadFiles, match="groups `bent` and `measured` of `fill` disagree on `eq`; give it at the position"
    ):
        positions(both)


@given(st.dictionaries(st.floats(1e-3, 1e6), st.floats(-30, 30), min_size=2, max_size=20))
def test_points_come_in_the_order_of_their_frequencies(points):
    written = ", ".join(f"{hz!r}: {db!r}" for hz, db in points.items())
    found = positions(ROOM.replace('1000: 0, 31.5: 4, 16000: -4, "125": 2.5, 8000: -2', written))["left"].target
    assert found == TargetCurve(points=tuple(sorted(points.items())))


@pytest.mark.parametrize("pair", ["100: 1, 1e2: 2", "100: 1, 100.0: 2", "0x64: 1, 100: 2", '"100": 1, 100.00: 2'])
def test_one_frequency_written_twice_is_refused(pair):
    with pytest.raises(BadFiles, match=r"rooms/hall.yaml:4:22: `points` has one frequency more than once: "):
        positions(ROOM.replace('1000: 0, 31.5: 4, 16000: -4, "125": 2.5, 8000: -2', pair))


def test_the_schemas_take_curves_of_both_kinds_and_refuse_mistakes():
    room, venue = yaml.safe_load(ROOM), yaml.safe_load(VENUE)
    assert Draft202012Validator(room_schema()).is_valid(room)
    assert Draft202012Validator(venue_schema()).is_valid(venue)
    for curve in ({"points": {"100": 1}}, {"points": {"100": 1, "200": 31}}, {"bands": []}, {}, "soft"):
        assert not Draft202012Validator(room_schema()).is_valid({**room, "curves": {"measured": curve}}), curve


def test_the_published_schema_tells_of_points():
    published = (Path(__file__).parents[2] / "schemas" / "room.schema.json").read_text(encoding="utf-8")
    assert "PointsPart" in published
