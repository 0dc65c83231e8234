"""A walk only ever mutes and lowers; one position of the room is heard at a time; nobody else is touched."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import untimed
from samples_plans import device_of, hall, outlook_of, position

from fleet.errors import Refused
from fleet.model.settings import OutputSettings
from fleet.model.walk import Answers, Heard, Step, Walk
from fleet.reconcile.walk_findings import compared, findings, line_is_right
from fleet.reconcile.walking import ahead, in_order, noted, plan_step, serves_life_safety, unwalkable

CAUSES = st.sets(st.sampled_from(["controller", "panel", "external", "alarm"]), max_size=2)
LEVELS_DB = st.sampled_from([-60.0, -41.0, -30.5, -30.0, -29.5, -12.0, 0.0, 6.0])
NOON = datetime(2031, 5, 1, 12, tzinfo=UTC)
RIGHT = Answers(place="yes", source="yes", sound="yes", polarity="yes")


@st.composite
def houses(draw):
    """Two rooms that share amplifiers of three outputs; some serve life safety, are silent, or muted by somebody."""
    devices, halls, bars = [], [], []
    for number in range(draw(st.integers(1, 3))):
        name = f"amp-{number}"
        live = {n: OutputSettings(level_db=float(math.floor(draw(LEVELS_DB)))) for n in (1, 2, 3)}
        devices.append(device_of(name, "amp", live=live, causes={n: draw(CAUSES) for n in (1, 2, 3)}))
        for output in (1, 2, 3):
            in_bar = draw(st.booleans())
            where = bars if in_bar else halls
            where.append(
                position(
                    f"p-{number}-{output}",
                    name,
                    output=output,
                    room="bar" if in_bar else "hall",
                    ceiling_db=draw(st.none() | st.sampled_from([-45.3, -20.0])),
                    life_safety=draw(st.integers(0, 9)) == 0,
                )
            )
    dead = draw(st.sets(st.sampled_from([d.id for d in devices]), max_size=1))
    rooms = [hall(*halls), replace(hall(*bars, name="bar"))]
    return outlook_of(rooms, devices, unreachable={d: f"{d} does not answer" for d in dead}), devices


def sounding(devices):
    """Every output that sounds, with its level."""
    found = {}
    for device in devices:
        for number, settings in device.reported().state.live.outputs.items():
            if not settings.mute:
                found[device.id, number] = settings.level_db
    return found


@untimed
@given(houses(), st.floats(-80, 10))
def test_one_position_is_heard_and_nothing_is_ever_louder_than_before(house, cap_db):
    outlook, devices = house
    room = outlook.venue.rooms["hall"]
    for one in in_order(room.positions):
        if unwalkable(outlook, one, cap_db):
            continue
        plan = plan_step(outlook, room, one, cap_db)
        assert not [hit for hit in plan.guards if not hit.may_allow]
        assert {hit.guard for hit in plan.guards} <= {"half-room", "live-click"}
        by_id = {d.id: replace(d, causes={n: set(c) for n, c in d.causes.items()}) for d in devices}
        before = sounding(by_id.values())
        others = {(d, n) for d, n in before if (d, n) not in {(p.device, p.output) for p in room.positions.values()}}
        causes = {d.id: {n: c & {"external", "alarm"} for n, c in d.causes.items()} for d in devices}
        for phase in sorted({phase for part in plan.devices for phase in part.work}):
            for part in plan.devices:
                if phase in part.work:
                    by_id[part.device].do(part.work[phase], store=False)
            now = sounding(by_id.values())
            assert all(level_db <= before[where] for where, level_db in now.items()), "louder, or unmuted"
        for device in by_id.values():
            assert {n: c & {"external", "alarm"} for n, c in device.causes.items()} == causes[device.id]
        cannot = {(o.device, room.positions[o.position].output) for o in plan.left_out}
        here = (one.device, one.output)
        assert set(now if plan.devices else before) - others - cannot == {here}
        level_db = sounding(by_id.values())[here]
        assert level_db <= min(cap_db, math.inf if one.ceiling_db is None else one.ceiling_db) + 1e-9
        assert {where: sounding(by_id.values()).get(where) for where in others} == {w: before[w] for w in others}
        assert not any(
            serves_life_safety(outlook.venue, p) for d in plan.devices for p in outlook.venue.positions_of(d.device)
        )


def test_the_level_is_the_highest_the_device_can_hold_below_the_cap() -> None:
    loud = device_of("box-1", live={1: OutputSettings(level_db=0.0)})
    room = hall(position("left", "box-1"), position("right", "box-1", output=1))
    one = room.positions["left"]
    outlook = outlook_of([room], [loud])
    for cap_db, level_db in ((-30.0, -30.0), (-30.2, -30.5), (-29.8, -30.0)):
        (part,) = plan_step(outlook, room, one, cap_db).devices
        assert part.after.live.outputs[1].level_db == level_db
    assert "cannot be turned down to -90 dB" in unwalkable(outlook, one, -90.0)
    assert plan_step(outlook, room, one, 3.0).empty(), "what is below the cap already, and alone, needs no change"


def test_positions_come_as_people_count_them() -> None:
    names = ["line-10", "line-2", "bar", "line-2-b"]
    assert [p.name for p in in_order({n: position(n, "box-1") for n in names})] == [
        "bar",
        "line-2",
        "line-2-b",
        "line-10",
    ]


def walk_of(*positions, **other) -> Walk:
    given = {"id": "w-1", "room": "hall", "who": "ines", "began": NOON, "level_db": -30.0, "step_within_s": 600.0}
    return Walk(**{**given, "positions": positions, **other})


def heard_at(name, answers=RIGHT, **step) -> Heard:
    given = {"device": "box-1", "output": 1, "serial": "S1", "level_db": -30.0, "was_db": -6.0, "at": NOON}
    return Heard(step=Step(position=name, **{**given, **step}), answers=answers, who="ines", at=NOON)


def test_moves_go_through_what_is_left() -> None:
    walk = walk_of("a", "b", "c")
    assert ahead(walk, "next") == ("a", "b", "c")
    at_b = replace(walk, at="b", heard=(heard_at("a"),))
    assert ahead(at_b, "skip") == ("c",)
    assert ahead(at_b, "back") == ("a",)
    assert ahead(at_b, "repeat") == ("b",)
    with pytest.raises(Refused, match="b has no answers yet"):
        ahead(at_b, "next")
    back_at_a = replace(walk, at="a", heard=(heard_at("a"), heard_at("b")))
    assert ahead(back_at_a, "next") == ("c",)
    at_c = replace(walk, at="c", heard=(heard_at("c"),))
    assert ahead(at_c, "next") == ("a", "b"), "what was left behind comes at the end"
    done = noted(replace(at_c, heard=(heard_at("b"), heard_at("c"))), position("a", "box-1"), "skipped")
    assert ahead(done, "next") == ()


def test_answers_that_are_there_are_not_given_up_for_a_reason() -> None:
    walk = walk_of("a", heard=(heard_at("a"),))
    assert noted(walk, position("a", "box-1"), "does not answer") == walk


@pytest.mark.parametrize(("ohm", "right"), [(133.0, False), (133.4, True), (200.0, True), (200.4, False)])
def test_a_line_is_right_within_20_percent(ohm: float, right: bool) -> None:
    """60 W on 100 V: 10000 / 60 = 166.7 ohm, by Z = V²/P. The 20 % are common practice, no published source."""
    measured = replace(RIGHT, impedance_ohm=ohm, instrument="impedance meter")
    one = heard_at("a", measured, expected_ohm=10_000 / 60)
    assert line_is_right(one) is right
    assert bool(findings(walk_of("a", heard=(one,)))) is not right


def test_findings_are_said_in_words() -> None:
    low = replace(RIGHT, polarity="not sure", place="no", impedance_ohm=100.0, instrument="impedance meter")
    found = findings(walk_of("a", heard=(heard_at("a", low, expected_ohm=10_000 / 60),)))
    assert [f.words for f in found] == [
        "right place: no",
        "right polarity: not sure",
        "the line measures 100 ohm: 40 % lower than the 166.7 ohm expected "
        "(more than 20 %: common practice, no source)",
    ]


def test_a_later_walk_is_compared_with_the_baseline() -> None:
    meter = {"instrument": "level meter", "instrument_serial": "7"}
    then = walk_of(
        "a",
        "b",
        "c",
        heard=(
            heard_at("a", replace(RIGHT, impedance_ohm=100.0, **meter)),
            heard_at("b", replace(RIGHT, level_db=70.0, **meter)),
            heard_at("c", replace(RIGHT, level_db=70.0, **meter)),
        ),
    )
    now = walk_of(
        "a",
        "b",
        "c",
        "d",
        heard=(
            heard_at("a", replace(RIGHT, polarity="not sure", impedance_ohm=88.0, **meter)),
            heard_at("b", replace(RIGHT, level_db=67.9, instrument="other meter"), device="box-2", serial="S2"),
            heard_at("c", replace(RIGHT, level_db=60.0, **meter), level_db=-40.0),
            heard_at("d"),
        ),
    )
    assert [(f.position, f.words) for f in compared(then, now, "Europe/Berlin")] == [
        ("a", "right polarity: was yes on 2031-05-01, is not sure now"),
        ("a", "line impedance 12 % lower than on 2031-05-01"),
        ("b", "was box-1 output 1 (serial S1) on 2031-05-01, is box-2 output 1 (serial S2) now"),
        ("b", "measured level 2.1 dB lower than on 2031-05-01, with another instrument"),
        ("c", "level measured at -40 dB, at -30 dB on 2031-05-01: not compared"),
    ]
    assert compared(then, then, "Europe/Berlin") == ()
