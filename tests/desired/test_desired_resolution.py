"""Resolution: what wins, what a trim does, what is not managed (the design's contract; no published source)."""

from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.desired.folder import read_folder
from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.errors import BadFiles
from fleet.model.passive import Line, LineLoudspeakers
from fleet.model.settings import Band, Crossover, OutputSettings
from fleet.model.venue import Between, Position, TimeAlign, Tolerances

GOOD = Path(__file__).parent / "good"
VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
WARM = (
    Band(shape="low_shelf", frequency_hz=90, gain_db=3.5, q=0.7),
    Band(shape="bell", frequency_hz=2500, gain_db=-2, q=1.4),
)
LR24 = Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90)


def load_room(room: object, venue: str = VENUE) -> Version:
    text = room if isinstance(room, str) else yaml.safe_dump(room, allow_unicode=True)
    return load({"venue.yaml": venue, "rooms/hall.yaml": text})


def positions_of(body: dict, venue: str = VENUE) -> dict[str, Position]:
    room = {"format": 1, "room": "hall", **body}
    return dict(load_room(room, venue).venue.rooms["hall"].positions)


@pytest.fixture(scope="module")
def weir() -> dict[str, Position]:
    return dict(load(read_folder(GOOD / "weir")).venue.rooms["weir-hall"].positions)


def test_the_example_venue():
    venue = load(read_folder(GOOD / "weir")).venue
    room = venue.rooms["weir-hall"]
    assert (venue.name, venue.time_zone) == ("The Weir", "Europe/Lisbon")
    assert (room.title, room.air_temperature_c, room.house_curve) == ("Weir Hall", 21, "warm")
    assert room.groups["mains"].positions == ("main-left", "main-right")
    assert [group.name for group in room.groups.values() if group.together] == ["mains"]


def test_group_and_house_curve_reach_a_position(weir):
    top = weir["main-left"]
    assert top.fixed == OutputSettings(level_db=-6, mute=False, eq=WARM, high_pass=LR24)
    assert (top.coherent, top.ceiling_db, top.input) == (("mains",), -3, "network")
    assert (top.slot_for("example-full"), top.slot_for("example-sub"), top.slot_for("other")) == (5, 3, None)
    assert top.tolerances == Tolerances(level_db=1.5)


@pytest.mark.parametrize(("written", "mutes"), [(None, True), (True, True), (False, False)])
def test_a_room_is_muted_while_recalling_unless_it_says_otherwise(written, mutes):
    given = {} if written is None else {"mute_while_recalling": written}
    room = {"format": 1, "room": "hall", "positions": {"left": {"device": "box-1"}}, **given}
    assert load_room(room).venue.rooms["hall"].mute_while_recalling is mutes


@pytest.mark.parametrize(("hall", "bar", "mutes"), [(False, False, False), (False, True, True), (True, False, True)])
def test_a_device_of_two_rooms_is_muted_where_either_says_so(hall, bar, mutes):
    files = {
        f"rooms/{name}.yaml": yaml.safe_dump(
            {"format": 1, "room": name, "mute_while_recalling": says, "positions": {"left": {"device": "amp-1", **out}}}
        )
        for name, says, out in (("hall", hall, {}), ("bar", bar, {"output": 2}))
    }
    venue = load({"venue.yaml": VENUE, **files}).venue
    assert venue.mutes_while_recalling("amp-1") is mutes
    assert venue.mutes_while_recalling("nobodys-box")


def test_a_device_id_of_digits_stays_as_written(weir):
    assert weir["main-right"].device == "0413"


def test_house_chains_with_more_bands(weir):
    assert weir["main-right"].fixed.eq == (*WARM, Band(shape="bell", frequency_hz=250, gain_db=-3, q=2))


def test_nothing_is_written_in_so_many_words(weir):
    assert weir["sub-left"].fixed.eq == ()
    assert weir["sub-left"].fixed.high_pass == "none"
    assert weir["sub-left"].role == "sub"


def test_time_align_trim_and_tolerances(weir):
    fill = weir["balcony-2"]
    assert fill.time_align == TimeAlign(to="main-left", offset_ms=12)
    assert fill.listen_at_m == (14, 3, 4.6)
    assert fill.fixed.level_db == -11
    assert fill.tolerances == Tolerances(level_db=1.5, delay_ms=1)


def test_range_line_curve_by_name_and_own_slot(weir):
    bar = weir["bar-line"]
    assert bar.between == {"level_db": Between(low=-20, high=-8)}
    assert bar.fixed.level_db is None
    assert bar.fixed.eq == (Band(shape="low_shelf", frequency_hz=120, gain_db=-4, q=0.7),)
    assert bar.slots == {"*": 7}
    speakers = (LineLoudspeakers(count=6, tap_w=10),)
    assert bar.line == Line(volts=100, loudspeakers=speakers, cable_m=80, cable_mm2=1.5, amplifier_w=120)


def test_life_safety_inherits_nothing(weir):
    horn = weir["alarm-horn"]
    assert horn == Position(name="alarm-horn", room="weir-hall", device="box-0900", life_safety=True)


def test_what_is_given_nowhere_is_not_managed():
    left = positions_of({"positions": {"left": {"device": "box-1"}}})["left"]
    assert left.fixed == OutputSettings()
    assert (left.slots, left.input, left.panel_locked, left.power_up_slot, left.time_align) == (
        {},
        None,
        None,
        None,
        None,
    )


def test_a_room_curve_hides_the_venues():
    venue = VENUE + "curves: {tone: [{shape: bell, frequency_hz: 100, gain_db: 1, q: 1}]}\n"
    body = {"positions": {"left": {"device": "box-1", "eq": "tone"}}}
    assert positions_of(body, venue)["left"].fixed.eq == (Band(shape="bell", frequency_hz=100, gain_db=1, q=1),)
    assert positions_of({**body, "curves": {"tone": []}}, venue)["left"].fixed.eq == ()


@pytest.mark.parametrize(
    ("defaults", "group", "own", "delay"),
    [
        ({"delay_ms": 1}, {"time_align": {"to": "main"}}, {}, "main"),
        ({"time_align": {"to": "main"}}, {"delay_ms": 2}, {}, 2),
        ({"time_align": {"to": "main"}}, {"time_align": {"to": "main"}}, {"delay_ms": 3}, 3),
        ({"delay_ms": 1}, {"delay_ms": 2}, {"time_align": {"to": "main"}}, "main"),
    ],
)
def test_the_more_specific_of_delay_and_time_align_wins(defaults, group, own, delay):
    at = {"at_m": [0, 0, 0], "listen_at_m": [9, 0, 0]}
    left = positions_of(
        {
            "defaults": defaults,
            "groups": {"fills": group},
            "positions": {
                "main": {"device": "box-1", "delay_ms": 0, **at},
                "left": {"device": "box-2", "groups": ["fills"], **at, **own},
            },
        }
    )["left"]
    assert (left.time_align.to if left.time_align else left.fixed.delay_ms) == delay


def test_tolerances_by_position_room_and_venue():
    body = {
        "tolerances": {"eq_db": 2, "delay_ms": 3},
        "positions": {"left": {"device": "box-1", "tolerances": {"delay_ms": 4}}},
    }
    left = positions_of(body, VENUE + "tolerances: {level_db: 0.5, eq_db: 0.7}\n")["left"]
    assert left.tolerances == Tolerances(level_db=0.5, eq_db=2, delay_ms=4)


FILTER = {"family": "butterworth", "slope_db_per_octave": 12, "frequency_hz": 80}
SETTINGS = st.fixed_dictionaries(
    {},
    optional={
        "level_db": st.integers(-60, 0) | st.floats(-60, 0),
        "mute": st.booleans(),
        "polarity": st.sampled_from(["normal", "inverted"]),
        "delay_ms": st.integers(0, 100),
        "high_pass": st.just("none") | st.just(FILTER),
        "low_pass": st.just("none") | st.just(FILTER),
    },
)


def of(part: dict) -> OutputSettings:
    filters = {k: v if v == "none" else Crossover(**v) for k, v in part.items() if k.endswith("_pass")}
    return OutputSettings(**{**part, **filters})


@given(defaults=SETTINGS, group=SETTINGS, own=SETTINGS)
@settings(max_examples=60, deadline=None)
def test_position_beats_group_beats_defaults(defaults, group, own):
    left = positions_of(
        {
            "defaults": defaults,
            "groups": {"mains": group},
            "positions": {"left": {"device": "box-1", "groups": ["mains"], **own}},
        }
    )["left"]
    assert left.fixed == of(own).over(of(group)).over(of(defaults))


@given(first=SETTINGS, second=SETTINGS, own=SETTINGS)
@settings(max_examples=60, deadline=None)
def test_groups_may_differ_only_where_the_position_decides(first, second, own):
    body = {
        "groups": {"a": first, "b": second},
        "positions": {"left": {"device": "box-1", "groups": ["a", "b"], **own}},
    }
    undecided = {name for name in first.keys() & second.keys() - own.keys() if first[name] != second[name]}
    if not undecided:
        assert positions_of(body)["left"].fixed == of(own).over(of(first)).over(of(second))
        return
    with pytest.raises(BadFiles) as caught:
        positions_of(body)
    said = [complaint.text for complaint in caught.value.complaints]
    assert len(said) == len(undecided)
    assert all("`a`" in text and "`b`" in text for text in said)


@given(level=st.integers(-40, 0), lower=st.integers(0, 20), trims=st.lists(st.integers(-6, 6), min_size=1, max_size=5))
@settings(max_examples=30, deadline=None)
def test_lowering_a_group_lowers_all_its_members(level, lower, trims):
    def levels(group_db: int) -> list[float]:
        members = {f"p{n}": {"device": f"box-{n}", "groups": ["mains"], "trim_db": t} for n, t in enumerate(trims)}
        return [
            p.fixed.level_db
            for p in positions_of({"groups": {"mains": {"level_db": group_db}}, "positions": members}).values()
        ]

    assert levels(level) == [level + trim for trim in trims]
    assert levels(level - lower) == [each - lower for each in levels(level)]
