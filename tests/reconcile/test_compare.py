"""The one comparator: what differs, how much it matters, how it is said, and what is no difference."""

from __future__ import annotations

from typing import ClassVar

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from parts import (
    FULL,
    bell,
    changed,
    crossover,
    description_of,
    output_of,
    output_settings,
    position_of,
    reported_of,
    slot_of,
    untimed,
    wanted_of,
)

from fleet.model.difference import Grade
from fleet.model.settings import Band, DeviceSettings, OutputSettings
from fleet.model.state import Moment, Reported, State
from fleet.model.venue import Between, TimeAlign, Tolerances
from fleet.reconcile.compare import compare
from fleet.reconcile.representable import representable
from fleet.reconcile.wanted import WantedDevice, WantedOutput

SLIGHT, AUDIBLE, SERIOUS = Grade.SLIGHT, Grade.AUDIBLE, Grade.SERIOUS
COHERENT = position_of(coherent=("mains",))


def differences(wanted, found, *, position=None, between=None, description=None, **report):
    target = wanted_of(wanted, description, position=position, between=between)
    return compare([(target, reported_of(found, description, **report))]).differences


def only(wanted, found, **other):
    (difference,) = differences(wanted, found, **other)
    return difference


def test_a_device_as_wanted_has_no_difference():
    result = compare([(wanted_of(FULL), reported_of(FULL))])
    assert result.same()
    assert result.checked == (("weir-hall", "main-left"),)
    assert (result.differences, result.notes, result.not_checked) == ((), (), ())


@untimed
@given(settings=output_settings)
def test_whatever_a_device_holds_is_equal_to_itself(settings):
    held = representable(description_of(), DeviceSettings(outputs={1: settings})).outputs[1]
    assert differences(held, held) == ()


@untimed
@given(one=output_settings, other=output_settings, together=st.booleans())
def test_whether_two_differ_does_not_depend_on_which_is_wanted(one, other, together):
    position = COHERENT if together else None
    there, back = differences(one, other, position=position), differences(other, one, position=position)
    assert [(d.setting, d.grade) for d in there] == [(d.setting, d.grade) for d in back]


@pytest.mark.parametrize(
    ("found", "setting", "grade", "words"),
    [
        ({"level_db": -5.5}, "level_db", SLIGHT, "0.5 dB louder than wanted"),
        ({"level_db": -4.5}, "level_db", AUDIBLE, "1.5 dB louder than wanted"),
        ({"level_db": -7.0}, "level_db", AUDIBLE, "1 dB quieter than wanted"),
        ({"level_db": 0.0}, "level_db", AUDIBLE, "6 dB louder than wanted"),
        ({"level_db": 0.5}, "level_db", SERIOUS, "6.5 dB louder than wanted"),
        ({"polarity": "inverted"}, "polarity", SERIOUS, "polarity is inverted, wanted normal"),
        ({"delay_ms": 11.0}, "delay_ms", SLIGHT, "1 ms early: 0.34 m"),
        ({"delay_ms": 24.0}, "delay_ms", AUDIBLE, "12 ms late: 4.1 m"),
        ({"high_pass": "none"}, "high_pass", SERIOUS, "high-pass is missing, wanted Linkwitz-Riley 24 dB/oct at 90 Hz"),
        (
            {"high_pass": crossover(family="butterworth")},
            "high_pass",
            SERIOUS,
            "high-pass is Butterworth 24 dB/oct at 90 Hz, wanted Linkwitz-Riley 24 dB/oct at 90 Hz",
        ),
        (
            {"low_pass": crossover(90)},
            "low_pass",
            SERIOUS,
            "low-pass is Linkwitz-Riley 24 dB/oct at 90 Hz, wanted none",
        ),
        ({"level_db": None}, "level_db", AUDIBLE, "level is not told"),
    ],
)
def test_each_setting_with_its_grade_and_its_words(found, setting, grade, words):
    difference = only(FULL, changed(FULL, **found))
    assert (difference.setting, difference.grade, difference.words) == (setting, grade, words)
    assert (difference.subject, difference.slot, difference.output) == ("live", None, 1)


def test_raw_values_and_size_come_with_a_difference():
    difference = only(FULL, changed(FULL, level_db=-4.5))
    assert (difference.wanted, difference.found, difference.amount, difference.unit) == ("-6 dB", "-4.5 dB", 1.5, "dB")


@untimed
@given(
    level_db=st.sampled_from([-12.0, -8.0, -4.5, 3.0]),
    delay_ms=st.floats(15, 100),
    eq_gain_db=st.floats(1.2, 12),
    corner_hz=st.floats(120, 500),
    which=st.sampled_from(["level_db", "delay_ms", "polarity", "mute", "eq", "high_pass", "low_pass"]),
)
def test_any_single_audible_change_is_found(level_db, delay_ms, eq_gain_db, corner_hz, which):
    found = {
        "level_db": level_db,
        "delay_ms": delay_ms,
        "polarity": "inverted",
        "mute": True,
        "eq": (*FULL.eq, bell(800, eq_gain_db, 2)),
        "high_pass": crossover(corner_hz),
        "low_pass": crossover(corner_hz * 4),
    }[which]
    difference = only(FULL, changed(FULL, **{which: found}))
    assert difference.setting == which
    assert difference.grade >= AUDIBLE


def test_what_is_not_given_is_not_compared():
    assert differences(OutputSettings(), changed(FULL, level_db=5)) == ()
    assert only(OutputSettings(level_db=-6), changed(FULL, level_db=-9, polarity="inverted")).setting == "level_db"


def test_tolerances_are_the_positions():
    strict = position_of(tolerances=Tolerances(level_db=0.5, eq_db=0.3, delay_ms=0.5))
    found = changed(FULL, level_db=-5.5, delay_ms=11.0, eq=(FULL.eq[0], bell(gain_db=-2.5)))
    assert [d.grade for d in differences(FULL, found)] == [SLIGHT] * 3
    assert [d.grade for d in differences(FULL, found, position=strict)] == [AUDIBLE] * 3


class TestFilters:
    """EQ and crossovers are compared by response, at the device's sample rate, in its passband."""

    def test_the_largest_deviation_is_named_where_it_is(self):
        difference = only(FULL, changed(FULL, eq=(*FULL.eq, bell(2500, 3.2, 2))))
        assert difference.words == "EQ: 3.2 dB too much at 2.5 kHz"
        assert difference.grade == AUDIBLE
        assert difference.amount == pytest.approx(3.2, abs=1e-6)

    @pytest.mark.parametrize(
        ("found", "expected_db"),
        [
            # Between two cookbook bells at 1 kHz, q 2, +6 dB, 48 kHz; computed apart from this code.
            (bell(1000, 6.5, 2.0), 0.500),
            (bell(1000, 6.0, 2.2), 0.275),
            (bell(1000, 6.0, 2.83), 0.991),
            (bell(1000 * 2 ** (1 / 24), 6.0, 2.0), 0.451),
            (bell(1000 * 2 ** (1 / 12), 6.0, 2.0), 0.895),
            (bell(1000 * 2 ** (1 / 3), 6.0, 2.0), 3.137),
        ],
    )
    def test_size_of_a_changed_parameter(self, found, expected_db):
        difference = only(OutputSettings(eq=(bell(1000, 6, 2),)), OutputSettings(eq=(found,)))
        assert difference.amount == pytest.approx(expected_db, abs=0.02)

    def test_other_parameters_of_the_same_response_are_the_same(self):
        one = (bell(1000, 3, 1), bell(4000, -2, 2))
        other_order = (bell(4000, -2, 2), bell(300, 0, 3), bell(1000, 3, 1))
        in_halves = (bell(1000, 1.5, 1), bell(4000, -2, 2), bell(1000, 1.5, 1))
        for other in (other_order, in_halves):
            assert differences(OutputSettings(eq=one), OutputSettings(eq=other)) == ()

    def test_a_missing_equaliser_of_more_than_6_db_is_serious(self):
        assert only(OutputSettings(eq=(bell(1000, 9, 1),)), OutputSettings(eq=())).grade == SERIOUS

    def test_a_narrow_band_between_grid_points_is_not_missed(self):
        # R80 has 1000 and 1029.2 Hz; a bell of q 60 halfway is down by half within 8 Hz.
        difference = only(OutputSettings(eq=()), OutputSettings(eq=(bell(1014.5, 5, 60),)))
        assert difference.amount == pytest.approx(5, abs=1e-6)

    def test_what_lies_beyond_the_passband_is_slight(self):
        difference = only(OutputSettings(eq=()), OutputSettings(eq=(bell(21, 9, 20),)))
        assert difference.grade == SLIGHT
        assert difference.words == "EQ: 9 dB too much at 21 Hz, outside what this output plays"

    def test_below_40_db_down_nothing_differs(self):
        # Linkwitz-Riley 24 high-passes at 2 and 3 kHz are both more than 100 dB down in this passband.
        low = description_of(outputs=(output_of(passband_hz=(58, 100)),))
        one, other = (OutputSettings(high_pass=crossover(hz)) for hz in (2000, 3000))
        difference = only(one, other, description=low)
        assert difference.grade == SLIGHT
        assert "outside what this output plays" in difference.words

    def test_a_moved_corner_is_judged_by_what_it_does(self):
        assert only(FULL, changed(FULL, high_pass=crossover(91))).grade == SLIGHT
        # Linkwitz-Riley 24 is 1 / (1 + (corner / f)^4): 3.2 dB apart at 59.57 Hz, the first grid point from 58 Hz on.
        difference = only(FULL, changed(FULL, high_pass=crossover(100)))
        assert difference.grade == AUDIBLE
        assert difference.words == "high-pass: 3.2 dB too little at 59.6 Hz"
        assert only(FULL, changed(FULL, high_pass=crossover(120))).grade == SERIOUS

    def test_the_sample_rate_counts(self):
        # A cookbook bell of 10 kHz, +6 dB, q 1 at 15 kHz: 1.991 dB at 48 kHz, 3.180 dB at 96 kHz (computed apart).
        narrow = (output_of(passband_hz=(14_900, 15_100)),)
        two = OutputSettings(eq=()), OutputSettings(eq=(bell(10_000, 6, 1),))
        for rate_hz, expected_db in ((48_000, 1.991), (96_000, 3.180)):
            description = description_of(sample_rate_hz=rate_hz, outputs=narrow)
            assert only(*two, description=description).amount == pytest.approx(expected_db, abs=0.03)

    @untimed
    @given(
        frequency_hz=st.floats(1e-3, 1e9),
        gain_db=st.floats(-1e12, 1e12),
        q=st.floats(1e-9, 1e9),
        rate=st.floats(1, 1e6),
    )
    def test_nothing_a_device_says_stops_the_comparator(self, frequency_hz, gain_db, q, rate):
        odd = OutputSettings(eq=(bell(frequency_hz, gain_db, q),), high_pass=crossover(frequency_hz))
        result = differences(FULL, odd, description=description_of(sample_rate_hz=rate))
        assert {d.setting for d in result} >= {"level_db", "delay_ms"}


class TestCoherentSets:
    """In a coherent set phase and tighter delays count."""

    def test_a_small_delay_is_slight_alone_and_audible_together(self):
        found = changed(FULL, delay_ms=12.125)
        assert only(FULL, found).grade == SLIGHT
        assert only(FULL, found, position=COHERENT).grade == AUDIBLE

    def test_an_all_pass_is_slight_alone_and_audible_together(self):
        found = changed(FULL, eq=(*FULL.eq, Band(shape="all_pass", frequency_hz=120, q=0.7)))
        alone, together = only(FULL, found), only(FULL, found, position=COHERENT)
        assert (alone.grade, together.grade) == (SLIGHT, AUDIBLE)
        assert (together.words, together.unit) == ("EQ: phase 180° off at 120 Hz", "degrees")
        assert together.amount == pytest.approx(180, abs=0.1)

    def test_a_corner_that_turns_the_phase_is_audible_together(self):
        found = changed(FULL, high_pass=crossover(98))
        position = position_of(coherent=("mains",), tolerances=Tolerances(eq_db=3))
        difference = only(FULL, found, position=position)
        assert only(FULL, found, position=position_of(tolerances=Tolerances(eq_db=3))).grade == SLIGHT
        assert difference.grade == AUDIBLE
        assert "phase" in difference.words

    def test_phase_counts_only_above_20_db_down(self):
        shelves = (Band(shape="low_shelf", frequency_hz=1000, gain_db=-15, q=0.7),) * 2
        turned = (*shelves, Band(shape="all_pass", frequency_hz=100, q=5))
        one, other = OutputSettings(eq=shelves), OutputSettings(eq=turned)
        assert only(one, other, position=COHERENT).grade == SLIGHT
        assert only(OutputSettings(eq=()), OutputSettings(eq=turned[-1:]), position=COHERENT).grade == AUDIBLE

    def test_phase_within_tolerance_is_not_audible(self):
        found = changed(FULL, high_pass=crossover(91))
        assert only(FULL, found, position=COHERENT).grade == SLIGHT


class TestMute:
    """Ours and the panel's mutes are differences; an external contact's and an alarm's are notes."""

    @pytest.mark.parametrize(
        ("causes", "words"),
        [(("panel",), "muted by panel"), (("controller", "panel"), "muted by controller and panel"), ((), "muted")],
    )
    def test_a_mute_of_ours_is_serious(self, causes, words):
        difference = only(FULL, changed(FULL, mute=True), mute_causes=causes)
        assert (difference.grade, difference.words) == (SERIOUS, words)

    @pytest.mark.parametrize(
        ("causes", "words"),
        [
            (("external",), "muted by an external contact: left alone"),
            (("alarm",), "muted by the alarm: left alone"),
        ],
    )
    def test_a_mute_of_others_is_a_note(self, causes, words):
        result = compare([(wanted_of(FULL), reported_of(changed(FULL, mute=True), mute_causes=causes))])
        assert result.same()
        assert [note.words for note in result.notes] == [words]

    def test_both_is_both(self):
        result = compare([(wanted_of(FULL), reported_of(changed(FULL, mute=True), mute_causes=("panel", "alarm")))])
        assert [d.words for d in result.differences] == ["muted by panel"]
        assert [n.words for n in result.notes] == ["muted by the alarm: left alone"]

    def test_a_missing_mute_is_serious(self):
        difference = only(OutputSettings(mute=True), FULL)
        assert (difference.grade, difference.words) == (SERIOUS, "not muted, wanted muted")


class TestRanges:
    """An allowed range is left only at its ends."""

    BETWEEN: ClassVar = {"level_db": Between(low=-20, high=-8)}

    @pytest.mark.parametrize("level_db", [-20, -14, -8])
    def test_inside_is_no_difference(self, level_db):
        assert differences(OutputSettings(), OutputSettings(level_db=level_db), between=self.BETWEEN) == ()

    @pytest.mark.parametrize(
        ("level_db", "grade", "words"),
        [
            (-7.5, SLIGHT, "0.5 dB above its range of -20 to -8 dB"),
            (-22, AUDIBLE, "2 dB below its range of -20 to -8 dB"),
            (0, SERIOUS, "8 dB above its range of -20 to -8 dB"),
        ],
    )
    def test_outside_is_one_by_how_far(self, level_db, grade, words):
        difference = only(OutputSettings(), OutputSettings(level_db=level_db), between=self.BETWEEN)
        assert (difference.grade, difference.words, difference.wanted) == (grade, words, "-20 dB to -8 dB")

    def test_a_range_comes_before_a_fixed_value(self):
        assert differences(OutputSettings(level_db=-10), OutputSettings(level_db=-12), between=self.BETWEEN) == ()


class TestOrderOfArrival:
    """A fill must not arrive before what it is aligned to."""

    @staticmethod
    def fill(offset_ms, role="fill"):
        return position_of("balcony", role=role, time_align=TimeAlign(to="main-left", offset_ms=offset_ms))

    def test_a_fill_before_the_main_is_serious(self):
        difference = only(FULL, changed(FULL, delay_ms=10.5), position=self.fill(1))
        assert difference.grade == SERIOUS
        assert difference.words == "1.5 ms early: 0.51 m; it arrives 0.5 ms before main-left"

    def test_a_fill_that_is_early_but_after_the_main_is_not(self):
        assert only(FULL, changed(FULL, delay_ms=10.5), position=self.fill(5)).grade == SLIGHT
        assert only(FULL, changed(FULL, delay_ms=8), position=self.fill(12)).grade == AUDIBLE

    def test_others_than_fills_are_not_asked(self):
        assert only(FULL, changed(FULL, delay_ms=10.5), position=self.fill(1, role="")).grade == SLIGHT

    def test_arriving_together_has_no_order_to_turn(self):
        assert only(FULL, changed(FULL, delay_ms=11.9), position=self.fill(0)).grade == SLIGHT


class TestDeviceWide:
    """Slot, input, panel lock and power-up slot are said once, at the lowest output."""

    def compared(self, **report):
        wide = {"slot": 5, "input": "network", "panel_locked": True, "power_up_slot": 5}
        return compare([(wanted_of(FULL, **wide), reported_of(FULL, **report))]).differences

    def test_as_wanted(self):
        assert self.compared(active_slot=5, input="network", panel_locked=True, power_up_slot=5) == ()

    def test_all_wrong(self):
        result = self.compared(active_slot=3, input="analogue", panel_locked=False, power_up_slot=None)
        assert [(d.setting, d.grade, d.words) for d in result] == [
            ("slot", SERIOUS, "in slot 3, wanted slot 5"),
            ("input", SERIOUS, "on input analogue, wanted network"),
            ("panel_locked", SLIGHT, "panel is unlocked, wanted locked"),
            ("power_up_slot", AUDIBLE, "powers up in no slot, wanted slot 5"),
        ]

    def test_not_wanted_is_not_compared(self):
        report = reported_of(FULL, active_slot=3, input="analogue", panel_locked=False, power_up_slot=2)
        assert compare([(wanted_of(FULL), report)]).same()


class TestStored:
    """Contents of the house-curve slot are compared by the same rules."""

    STORED = changed(FULL, mute=None)

    def compared(self, contents, live=FULL):
        wanted = wanted_of(FULL, slot=5, stored=slot_of(5, self.STORED))
        slots = {5: contents} if contents else {}
        return compare([(wanted, reported_of(live, active_slot=5, slots=slots, power_up_slot=5))])

    def test_as_wanted(self):
        result = self.compared(slot_of(5, self.STORED))
        assert (result.differences, result.notes) == ((), ())

    def test_what_sounds_right_today_may_come_back_wrong(self):
        contents = changed(self.STORED, level_db=0.5, eq=(*FULL.eq, bell(2500, 3.2, 2)))
        result = self.compared(slot_of(5, contents)).differences
        assert [(d.subject, d.slot, d.setting, d.grade, d.words) for d in result] == [
            ("stored", 5, "level_db", SERIOUS, "slot 5: 6.5 dB louder than wanted"),
            ("stored", 5, "eq", AUDIBLE, "slot 5: EQ: 3.2 dB too much at 2.5 kHz"),
        ]

    @pytest.mark.parametrize("contents", [None, slot_of(5, None)])
    def test_what_cannot_be_read_is_a_note(self, contents):
        result = self.compared(contents)
        assert result.differences == ()
        assert [n.words for n in result.notes] == ["contents of slot 5 cannot be read: they were not checked"]

    def test_a_stored_input(self):
        wanted = wanted_of(FULL, slot=5, input="network", stored=slot_of(5, self.STORED, input="network"))
        report = reported_of(FULL, active_slot=5, input="network", slots={5: slot_of(5, self.STORED, input="analogue")})
        (difference,) = compare([(wanted, report)]).differences
        assert difference.words == "slot 5: input analogue, wanted network"


def test_unmanaged_settings_apart_from_the_active_slot_are_a_note():
    report = reported_of(
        changed(FULL, level_db=-9, delay_ms=1), active_slot=3, slots={3: slot_of(3, changed(FULL, mute=None))}
    )
    managed = OutputSettings(polarity="normal", delay_ms=1)
    assert [n.words for n in compare([(wanted_of(managed), report)]).notes] == ["unmanaged level differs from slot 3"]
    both = compare([(wanted_of(OutputSettings(polarity="normal")), report)])
    assert [n.words for n in both.notes] == ["unmanaged level and delay differ from slot 3"]
    assert both.same()


def test_problems_of_the_wish_are_notes():
    (note,) = compare([(wanted_of(FULL, problems=("slot 2 is the factory's",)), reported_of(FULL))]).notes
    assert note.words == "slot 2 is the factory's"


def test_life_safety_is_left_out_and_named():
    wanted = wanted_of(OutputSettings(), position=position_of("alarm-horn", life_safety=True))
    result = compare([(wanted, reported_of(FULL))])
    assert (result.checked, result.differences, result.same()) == ((), (), True)
    assert [(n.position, n.reason) for n in result.not_checked] == [("alarm-horn", "life_safety")]


def test_order_is_by_room_position_and_setting_with_stored_last():
    loud = changed(FULL, level_db=-3, polarity="inverted", high_pass="none")
    description = description_of("amp-1", outputs=(output_of(1), output_of(2)))
    positions = {
        1: position_of("terrace", room="garden", device="amp-1", output=1),
        2: position_of("bar", room="annexe", device="amp-1", output=2),
    }
    stored = changed(slot_of(5, None), outputs={1: changed(FULL, mute=None), 2: changed(FULL, mute=None)})
    wanted = WantedDevice(
        device="amp-1",
        description=description,
        outputs={n: WantedOutput(position=p, settings=FULL) for n, p in positions.items()},
        slot=5,
        stored=stored,
    )
    held = changed(stored, outputs={1: changed(loud, mute=None), 2: changed(FULL, mute=None)})
    state = State(
        id="amp-1",
        serial="s",
        moment=Moment(boot_id="b", revision=1),
        boot_count=1,
        uptime_ms=0,
        active_slot=4,
        live=DeviceSettings(outputs={1: loud, 2: loud}),
    )
    result = compare([(wanted, Reported(description=description, state=state, slots={5: held}))])
    changed_settings = ["level_db", "polarity", "high_pass"]
    assert [(d.position, d.subject, d.setting) for d in result.differences] == [
        *(("bar", "live", name) for name in changed_settings),
        *(("terrace", "live", name) for name in ["slot", *changed_settings]),
        *(("terrace", "stored", name) for name in changed_settings),
    ]
    assert result.checked == (("annexe", "bar"), ("garden", "terrace"))


def test_a_longer_neighbour_in_the_batch_changes_nothing():
    """Rows are filled up to the longest; the filling once added a frequency of its own."""
    flat, low = (changed(FULL, eq=()), changed(FULL, eq=(bell(frequency_hz=20, gain_db=1, q=1),)))
    long = changed(FULL, eq=tuple(bell(frequency_hz=f, gain_db=0, q=1) for f in (20, 30, 40, 50)))
    pairs = [
        (wanted_of(flat, box := description_of(name), position=position_of(name, device=name)), reported_of(found, box))
        for name, found in (("box-1", low), ("box-2", long))
    ]
    together = [d for d in compare(pairs).differences if d.device == "box-1"]
    alone = list(compare(pairs[:1]).differences)
    assert [d.amount for d in together] == [d.amount for d in alone] != []


@untimed
@given(batch=st.lists(st.tuples(output_settings, output_settings), min_size=2, max_size=6))
def test_many_devices_at_once_are_each_as_alone(batch):
    assume(any(one != other for one, other in batch))
    pairs = []
    for index, (one, other) in enumerate(batch):
        description = description_of(f"box-{index}", sample_rate_hz=[44_100, 48_000, 96_000][index % 3])
        position = position_of(f"p-{index}", device=description.id, coherent=("mains",) if index % 2 else ())
        pairs.append((wanted_of(one, description, position=position), reported_of(other, description)))
    together = compare(pairs).differences
    apart = [difference for pair in pairs for difference in compare([pair]).differences]
    assert [(d.position, d.setting, d.grade) for d in together] == [(d.position, d.setting, d.grade) for d in apart]
    for one, other in zip(together, apart, strict=True):
        assert one.amount == (None if other.amount is None else pytest.approx(other.amount, abs=1e-6))
