"""Read-back is exact within half a step; what was not asked and cannot be read is not judged."""

from __future__ import annotations

import pytest
from hypothesis import given
from parts import FULL, bell, changed, crossover, description_of, output_settings, reported_of, slot_of, untimed

from fleet.model.plan import Target
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.reconcile.readback import deviations
from fleet.reconcile.representable import representable


def off(wanted, found, **report):
    return deviations(Target(live=DeviceSettings(outputs={1: wanted})), reported_of(found, **report))


@untimed
@given(settings=output_settings)
def test_a_device_that_holds_what_was_asked_deviates_in_nothing(settings):
    held = representable(description_of(), DeviceSettings(outputs={1: settings})).outputs[1]
    causes = ("controller",) if held.mute else ()
    assert off(held, held, mute_causes=causes) == ()


@pytest.mark.parametrize(
    ("found", "text"),
    [
        ({"level_db": -5.5}, "output 1: level is -5.5 dB, should be -6 dB"),
        ({"polarity": "inverted"}, "output 1: polarity is inverted, should be normal"),
        ({"delay_ms": 12.0 + 1 / 48}, "output 1: delay is 12.0208 ms, should be 12 ms"),
        ({"high_pass": crossover(91)}, "at 91 Hz, should be Linkwitz-Riley 24 dB/oct at 90 Hz"),
        ({"high_pass": crossover(slope=12)}, "12 dB/oct"),
        ({"high_pass": "none"}, "high-pass is none"),
        ({"eq": ()}, "EQ is no bands, should be low shelf 90 Hz +3.5 dB q 0.7, bell 2500 Hz -2 dB q 1.4"),
        ({"eq": (FULL.eq[0], bell(gain_db=-2.1))}, "-2.1 dB q 1.4"),
        ({"eq": (FULL.eq[0], bell(q=1.41))}, "q 1.41"),
        ({"level_db": None}, "output 1: level is not told"),
        ({"mute": True}, "output 1 is muted"),
    ],
)
def test_one_step_off_is_found(found, text):
    (sentence,) = off(FULL, changed(FULL, **found))
    assert text in sentence


@pytest.mark.parametrize(
    "found",
    [
        {"level_db": -6.0000001},
        {"delay_ms": 12.005},
        {"high_pass": crossover(90.4)},
        {"eq": tuple(reversed(FULL.eq))},
        {"eq": (FULL.eq[0], bell(gain_db=-2.04, q=1.403))},
    ],
)
def test_less_than_half_a_step_and_another_order_of_bands_are_not(found):
    assert off(FULL, changed(FULL, **found)) == ()


def test_bands_are_matched_one_to_one():
    twice = OutputSettings(eq=(bell(), bell()))
    assert off(twice, OutputSettings(eq=(bell(), bell(1000)))) != ()


def test_q_is_compared_as_the_device_counts_it():
    # A step of 0.01 in constant Q is 0.0042 in the cookbook's at 15 dB: 10^(15/40) = 2.371 (wire contract).
    wanted, found = OutputSettings(eq=(bell(gain_db=15, q=1.0),)), OutputSettings(eq=(bell(gain_db=15, q=1.003),))
    assert off(wanted, found) == ()
    assert off(wanted, found, description=description_of(q_convention="constant_q")) != ()


@pytest.mark.parametrize(
    ("wanted", "found", "causes", "right"),
    [
        (False, True, ("external",), True),
        (False, True, ("alarm", "external"), True),
        (False, True, ("alarm", "panel"), False),
        (False, True, ("controller",), False),
        (False, True, (), False),
        (False, False, (), True),
        (True, True, ("controller",), True),
        (True, True, ("alarm",), True),
        (True, False, (), False),
    ],
)
def test_mutes_of_others_are_not_ours(wanted, found, causes, right):
    result = off(OutputSettings(mute=wanted), OutputSettings(mute=found), mute_causes=causes)
    assert (result == ()) is right


def test_device_wide_settings_and_the_active_slot():
    target = Target(active_slot=5, live=DeviceSettings(input="network", panel_locked=True, power_up_slot=5, outputs={}))
    right = reported_of(FULL, active_slot=5, input="network", panel_locked=True, power_up_slot=5)
    assert deviations(target, right) == ()
    wrong = reported_of(FULL, active_slot=3, input="analogue", panel_locked=False, power_up_slot=None)
    assert deviations(target, wrong) == (
        "active slot is 3, should be 5",
        "input is analogue, should be network",
        "panel lock is no, should be yes",
        "power-up slot is not told, should be 5",
    )


def test_slots_are_checked_where_they_can_be_read():
    target = Target(stored=(slot_of(5, OutputSettings(level_db=-6), input="network"),))
    quiet = slot_of(5, OutputSettings(level_db=-12), input="analogue")
    assert deviations(target, reported_of(FULL, slots={5: quiet})) == (
        "slot 5: input is analogue, should be network",
        "slot 5: output 1: level is -12 dB, should be -6 dB",
    )
    assert deviations(target, reported_of(FULL, slots={5: slot_of(5, None)})) == ()
    assert deviations(target, reported_of(FULL)) == ()
