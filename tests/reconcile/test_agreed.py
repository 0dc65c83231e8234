"""Agreed deviations: they bind to what was found, end with their day, and are left alone by plans."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import crossover, untimed
from samples_plans import FLAT, HALL, carry_out, device_of, hall, outlook_of, position

from fleet.errors import BadInput, Refused
from fleet.model.difference import Grade
from fleet.model.settings import Band, SlotContents
from fleet.model.venue import Between
from fleet.model.venue_time import end_of_day
from fleet.reconcile.agreed import left_as_agreed, marked
from fleet.reconcile.agreeing import Terms, deviation_of, differences_named, due, last_day, shown_digest
from fleet.reconcile.compare import compare
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.readback import deviations as not_as_target
from fleet.reconcile.store_plans import plan_store

NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)
TERMS = Terms(owner="Ana", reason="seats", who="ines", at=NOON, until=date(2031, 6, 30), time_zone="Europe/Berlin")


def found_in(outlook):
    devices = sorted(outlook.reported)
    return compare([(outlook.wants[d], outlook.reported[d]) for d in devices])


def agreed_to(outlook, *settings, subject="live"):
    """A deviation for each difference of these settings, as it is now."""
    return tuple(
        deviation_of(d, outlook.reported[d.device], TERMS, f"d-{number}")
        for number, d in enumerate(found_in(outlook).differences)
        if d.setting in settings and d.subject == subject
    )


def seen(outlook, agreed):
    return marked(found_in(outlook), agreed, outlook.venue.positions(), outlook.reported)


def a_hall(**left):
    return hall(position("left", "box-1", fixed=FLAT, **left), position("right", "box-2", fixed=FLAT))


def box(**live):
    return device_of("box-1", live={1: replace(FLAT, **live)})


def looked(*devices, room=None, **other):
    return outlook_of([room or a_hall()], [*devices, device_of("box-2")], **other)


# binding


@pytest.mark.parametrize(
    ("agreed_db", "now_db", "still"),
    [(-3.0, -3.0, True), (-3.0, -4.5, False), (-3.0, -12.0, False), (-3.0, -1.5, False), (-12.0, -12.0, True)],
)
def test_a_deviation_binds_to_the_value_that_was_found(agreed_db, now_db, still):
    agreed = agreed_to(looked(box(level_db=agreed_db)), "level_db")
    now = looked(box(level_db=now_db))
    (difference,) = seen(now, agreed).differences
    assert (difference.agreed is not None) == still
    assert seen(now, agreed).same() == still
    if still:
        assert (difference.agreed.owner, difference.agreed.until) == ("Ana", date(2031, 6, 30))


def test_within_the_tolerance_of_its_position_it_is_what_was_agreed():
    agreed = agreed_to(looked(box(delay_ms=3.0)), "delay_ms")
    tolerance_ms = a_hall().positions["left"].tolerances.delay_ms
    assert seen(looked(box(delay_ms=3.0 + tolerance_ms / 2)), agreed).same()
    assert not seen(looked(box(delay_ms=3.0 + tolerance_ms * 2)), agreed).same()


EQ = (Band(shape="bell", frequency_hz=500, gain_db=-6, q=1.0),)


@pytest.mark.parametrize(
    ("setting", "value", "other"),
    [
        ("level_db", -9.0, -20.0),
        ("mute", True, None),
        ("polarity", "inverted", None),
        ("delay_ms", 9.0, 20.0),
        ("eq", EQ, (replace(EQ[0], gain_db=-12),)),
        ("high_pass", crossover(90), crossover(200)),
        ("low_pass", crossover(5000), crossover(200)),
    ],
)
def test_every_setting_of_an_output_can_be_agreed(setting, value, other):
    room = hall(position("left", "box-1", fixed=replace(FLAT, mute=False)), position("right", "box-2"))

    def look(value):
        causes = {1: {"panel"}} if value is True else {}
        return looked(
            device_of("box-1", live={1: replace(FLAT, **{"mute": False, setting: value})}, causes=causes), room=room
        )

    agreed = agreed_to(look(value), setting)
    assert seen(look(value), agreed).same()
    assert len(seen(look(value), agreed).agreed()) == 1
    if other is not None:
        assert not seen(look(other), agreed).same()


@pytest.mark.parametrize(
    ("wished", "wide", "other"),
    [
        ({"input": "network"}, {"input": "analogue"}, None),
        ({"panel_locked": True}, {"panel_locked": False}, None),
        ({"power_up_slot": 5}, {"power_up_slot": 3}, {"power_up_slot": 4}),
    ],
)
def test_what_a_device_has_once_can_be_agreed(wished, wide, other):
    room = a_hall(**wished)
    agreed = agreed_to(looked(device_of("box-1", wide=wide), room=room), *wished)
    found = seen(looked(device_of("box-1", wide=wide), room=room), agreed)
    assert [d.setting for d in found.agreed()] == list(wished)
    kept = left_as_agreed(looked(device_of("box-1", wide=wide), room=room, agreed=agreed))
    assert plan_apply(kept, HALL).empty()
    if other is not None:
        assert not seen(looked(device_of("box-1", wide=other), room=room), agreed).agreed()


def test_a_setting_that_is_not_told_cannot_be_agreed():
    told = looked(device_of("box-1"), room=a_hall(input="network"))
    (difference,) = found_in(
        looked(device_of("box-1", wide={"input": "analogue"}), room=a_hall(input="network"))
    ).differences
    silent = replace(
        told.reported["box-1"],
        state=replace(told.reported["box-1"].state, live=replace(told.reported["box-1"].state.live, input=None)),
    )
    with pytest.raises(Refused, match="does not tell its input"):
        deviation_of(difference, silent, TERMS, "d-1")


levels = st.integers(-40, 6).map(float)


@untimed
@given(left_db=levels, right_db=levels, agreed_db=levels, delay_ms=st.integers(0, 20).map(float))
def test_an_agreed_comparison_has_the_same_differences_only_marked(left_db, right_db, agreed_db, delay_ms):
    agreed = agreed_to(looked(box(level_db=agreed_db, delay_ms=delay_ms)), "level_db", "delay_ms")
    now = outlook_of(
        [a_hall()],
        [
            device_of("box-1", live={1: replace(FLAT, level_db=left_db)}),
            device_of("box-2", live={1: replace(FLAT, level_db=right_db)}),
        ],
    )
    plain, with_marks = found_in(now), seen(now, agreed)
    assert replace(with_marks, differences=tuple(replace(d, agreed=None) for d in with_marks.differences)) == plain
    assert set(with_marks.counting()) <= set(plain.counting())
    assert all(d.position == "left" for d in with_marks.agreed())


# plans


def test_apply_leaves_what_is_agreed_and_says_so():
    devices = [box(level_db=-9.0, delay_ms=5.0), device_of("box-2", live={1: replace(FLAT, level_db=-4.0)})]
    outlook = outlook_of([a_hall()], devices)
    agreed = agreed_to(outlook, "level_db")[:1]
    plan = plan_apply(left_as_agreed(replace(outlook, agreed=agreed)), HALL)
    assert plan.notes == ("left: level stays -9 dB instead of 0 dB, as agreed by Ana until 2031-06-30 (seats)",)
    assert {(d.position, d.setting) for d in plan.differences} == {("left", "delay_ms"), ("right", "level_db")}
    carry_out(plan, devices)
    assert [(d.live.outputs[1].level_db, d.live.outputs[1].delay_ms) for d in devices] == [(-9.0, 0.0), (0.0, 0.0)]


def test_apply_puts_right_what_has_moved_further():
    agreed = agreed_to(looked(box(level_db=-9.0)), "level_db")
    devices = [box(level_db=-20.0), device_of("box-2")]
    plan = plan_apply(left_as_agreed(outlook_of([a_hall()], devices, agreed=agreed)), HALL)
    carry_out(plan, devices)
    assert (plan.notes, devices[0].live.outputs[1].level_db) == ((), 0.0)


def test_a_value_that_is_right_by_now_is_not_moved_to_what_was_agreed():
    agreed = agreed_to(looked(box(level_db=-9.0)), "level_db")
    assert plan_apply(left_as_agreed(looked(box(), agreed=agreed)), HALL).empty()


def test_a_recall_writes_back_what_it_would_move_in_the_same_change():
    slots = {5: SlotContents(slot=5, outputs={1: FLAT})}
    devices = [device_of("box-1", live={1: replace(FLAT, level_db=-9.0)}, slots=slots), device_of("box-2", slots=slots)]
    room = hall(
        position("left", "box-1", fixed=FLAT, slots={"*": 5}), position("right", "box-2", fixed=FLAT, slots={"*": 5})
    )
    outlook = outlook_of([room], devices)
    agreed = agreed_to(outlook, "level_db")
    plan = plan_recall(left_as_agreed(replace(outlook, agreed=agreed)), HALL)
    assert any("level stays -9 dB" in note for note in plan.notes)
    carry_out(plan, devices)
    assert [(d.active_slot, d.live.outputs[1].level_db) for d in devices] == [(5, -9.0), (5, 0.0)]


def test_a_slot_that_is_agreed_is_not_recalled_and_the_rest_is_written():
    slots = {5: SlotContents(slot=5, outputs={1: FLAT})}
    devices = [device_of("box-1", live={1: replace(FLAT, delay_ms=5.0)}, slots=slots), device_of("box-2", slots=slots)]
    room = hall(
        position("left", "box-1", fixed=FLAT, slots={"*": 5}), position("right", "box-2", fixed=FLAT, slots={"*": 5})
    )
    outlook = outlook_of([room], devices)
    agreed = tuple(d for d in agreed_to(outlook, "slot") if d.position == "left")
    assert (agreed[0].active_slot, agreed[0].found) == (3, "3")
    for planned in (plan_apply, plan_recall):
        plan = planned(left_as_agreed(outlook_of([room], devices, agreed=agreed)), HALL)
        assert any("active slot stays 3 instead of 5" in note for note in plan.notes)
        carry_out(plan, devices)
        assert (devices[0].active_slot, devices[0].live.outputs[1].delay_ms) == (3, 0.0)
    assert devices[1].active_slot == 5
    assert seen(outlook_of([room], devices, agreed=agreed), agreed).same()


def test_an_agreed_slot_s_contents_are_stored_as_they_are_and_the_live_ones_as_desired():
    held = SlotContents(slot=5, outputs={1: replace(FLAT, level_db=-9.0, delay_ms=4.0)})
    device = device_of("box-1", slots={5: held}, active_slot=5)
    room = hall(position("left", "box-1", fixed=FLAT, slots={"*": 5}))
    outlook = outlook_of([room], [device])
    agreed = agreed_to(outlook, "level_db", subject="stored")
    plan = plan_store(left_as_agreed(outlook_of([room], [device], agreed=agreed)), HALL)
    carry_out(plan, [device])
    assert (device.slots[5].outputs[1].level_db, device.slots[5].outputs[1].delay_ms) == (-9.0, 0.0)
    found = seen(outlook_of([room], [device]), agreed)
    assert [(d.subject, d.setting) for d in found.agreed()] == [("stored", "level_db")]
    assert found.same()


def test_a_level_outside_of_its_range_can_be_agreed():
    room = a_hall(between={"level_db": Between(low=-6.0, high=0.0)})
    room = replace(
        room, positions={**room.positions, "left": replace(room.positions["left"], fixed=replace(FLAT, level_db=None))}
    )
    agreed = agreed_to(looked(box(level_db=-9.0), room=room), "level_db")
    assert seen(looked(box(level_db=-9.0), room=room), agreed).same()
    assert plan_apply(left_as_agreed(looked(box(level_db=-9.0), room=room, agreed=agreed)), HALL).empty()


@untimed
@given(level_db=levels, delay_ms=st.integers(0, 20).map(float))
def test_what_is_not_agreed_is_right_after_an_apply_and_what_is_agreed_is_as_it_was(level_db, delay_ms):
    devices = [box(level_db=level_db, delay_ms=delay_ms), device_of("box-2")]
    outlook = outlook_of([a_hall()], devices)
    agreed = agreed_to(outlook, "level_db")
    plan = plan_apply(left_as_agreed(replace(outlook, agreed=agreed)), HALL)
    carry_out(plan, devices)
    after = outlook_of([a_hall()], devices)
    assert all(not_as_target(part.after, after.reported[part.device]) == () for part in plan.devices)
    assert (devices[0].live.outputs[1].level_db, devices[0].live.outputs[1].delay_ms) == (level_db, 0.0)
    assert not [d for d in seen(after, agreed).differences if d.agreed is None]


# what may be agreed


def test_the_differences_of_a_position_are_those_that_count_or_those_that_are_named():
    found = found_in(looked(box(level_db=-9.0, delay_ms=0.02, polarity="inverted")))
    assert {d.setting for d in found.differences if d.grade is Grade.SLIGHT} == {"delay_ms"}
    assert [d.setting for d in differences_named(found, "hall", "left", [])] == ["level_db", "polarity"]
    assert [d.setting for d in differences_named(found, "hall", "left", ["delay-ms"])] == ["delay_ms"]
    for position_, settings, words in (
        ("left", ["eq"], "EQ of hall/left is as desired"),
        ("right", [], "hall/right is as desired"),
    ):
        with pytest.raises(Refused, match=words):
            differences_named(found, "hall", position_, settings)
    with pytest.raises(BadInput, match="no setting 'loudness'"):
        differences_named(found, "hall", "left", ["loudness"])
    assert shown_digest(found.differences) != shown_digest(found.differences[:1])


TODAY = date(2031, 5, 17)


@pytest.mark.parametrize(
    ("text", "words"),
    [("soon", "no day"), ("2031-05-16", "past"), ("2032-05-18", "more than a year"), ("2031-06-31", "no day")],
)
def test_a_day_that_is_none_or_past_or_more_than_a_year_away_is_refused(text, words):
    with pytest.raises(BadInput, match=words):
        last_day(text, TODAY)


@pytest.mark.parametrize("text", ["2031-05-17", "2032-05-17"])
def test_from_today_to_the_same_day_next_year(text):
    assert last_day(text, TODAY) == date.fromisoformat(text)
    assert last_day("2033-02-28", date(2032, 2, 29)) == date(2033, 2, 28)


# when it ends


@pytest.mark.parametrize(
    ("day", "zone", "end"),
    [
        (date(2031, 6, 30), "Europe/Berlin", datetime(2031, 6, 30, 22, tzinfo=UTC)),
        (date(2031, 3, 30), "Europe/Berlin", datetime(2031, 3, 30, 22, tzinfo=UTC)),  # a day of 23 hours
        (date(2031, 10, 26), "Europe/Berlin", datetime(2031, 10, 26, 23, tzinfo=UTC)),  # a day of 25 hours
        (date(2031, 1, 1), "Pacific/Auckland", datetime(2031, 1, 1, 11, tzinfo=UTC)),
    ],
)
def test_it_holds_to_the_end_of_its_day_in_the_venue(day, zone, end):
    assert end_of_day(day, ZoneInfo(zone)) == end
    outlook = looked(box(level_db=-9.0))
    (difference,) = found_in(outlook).differences
    terms = replace(TERMS, at=end - timedelta(days=3), until=day, time_zone=zone)
    deviation = deviation_of(difference, outlook.reported["box-1"], terms, "d-1")
    assert deviation.stands(end - timedelta(seconds=1))
    assert not deviation.stands(end)
    local = (end - timedelta(seconds=1)).astimezone(ZoneInfo(zone))
    assert (local.date(), local.hour, local.minute) == (day, 23, 59)


def test_it_is_told_a_week_before_and_on_its_last_day_once_each():
    outlook = looked(box(level_db=-9.0))
    (deviation,) = agreed_to(outlook, "level_db")
    told = []
    now = NOON
    while now < deviation.ends + timedelta(days=2):
        if (telling := due(deviation, now, "Europe/Berlin")) is not None:
            told.append((now.astimezone(ZoneInfo("Europe/Berlin")), telling.when))
            deviation = telling.deviation
        now += timedelta(minutes=10)
    assert [(f"{at:%m-%d %H:%M}", when) for at, when in told] == [
        ("06-23 09:00", "ends on 2031-06-30"),
        ("06-30 09:00", "ends today"),
    ]


def test_whoever_slept_through_the_last_day_is_told_that_it_has_ended():
    (deviation,) = agreed_to(looked(box(level_db=-9.0)), "level_db")
    telling = due(deviation, deviation.ends + timedelta(days=9), "Europe/Berlin")
    assert telling is not None
    assert telling.when == "has ended with 2031-06-30"
    assert due(telling.deviation, deviation.ends + timedelta(days=9), "Europe/Berlin") is None
    ended = replace(deviation, ended=NOON + timedelta(days=1))
    assert due(ended, deviation.ends, "Europe/Berlin") is None
