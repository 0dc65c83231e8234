"""Settings are brought to the nearest steps of a device, or everything it cannot do is listed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import BARE_OUTPUT, FULL, bell, changed, crossover, description_of, output_of, output_settings, untimed

from fleet.acoustics.q_conventions import constant_q
from fleet.errors import BadInput
from fleet.model.description import CrossoverAbility, PowerUp, Range, SlotAbility
from fleet.model.settings import Band, DeviceSettings, OutputSettings
from fleet.reconcile.representable import representable

DEVICE = description_of()
BARE = description_of(
    outputs=(BARE_OUTPUT,),
    inputs=(),
    panel_lock=False,
    power_up=PowerUp(behaviour="default_slot", slot=3),
    slots=SlotAbility(count=4),
)


def held(settings, description=DEVICE):
    return representable(description, DeviceSettings(outputs={1: settings})).outputs[1]


def complaint(settings, description=DEVICE):
    with pytest.raises(BadInput) as caught:
        representable(description, settings)
    return str(caught.value)


def test_numbers_go_to_the_nearest_step_and_halves_go_up():
    asked = OutputSettings(level_db=-6.25, delay_ms=0.03, eq=(bell(gain_db=-2.04, q=1.404),))
    kept = held(asked)
    assert kept.level_db == -6.0
    assert kept.delay_ms == pytest.approx(1 / 48)
    assert kept.eq[0].gain_db == pytest.approx(-2.0)
    assert kept.eq[0].q == pytest.approx(1.4)
    assert held(OutputSettings(high_pass=crossover(90.4))).high_pass == crossover(90)


def test_what_fits_is_left_alone_and_bands_keep_their_order():
    bands = (bell(5000), bell(100), bell(1000))
    assert [b.frequency_hz for b in held(OutputSettings(eq=bands)).eq] == [5000, 100, 1000]
    assert held(FULL).level_db == FULL.level_db


def test_q_is_a_step_of_the_devices_own_convention():
    device = description_of(q_convention="constant_q")
    shelf = Band(shape="low_shelf", frequency_hz=90, gain_db=6, q=0.707)
    kept_bell, kept_shelf = held(OutputSettings(eq=(bell(gain_db=6, q=1.0), shelf)), device).eq
    # Q_constant = 1.0 * 10^(6/40) = 1.41254, to the nearest 0.01 from 0.3 on: 1.41 (wire contract).
    assert constant_q(kept_bell.q, 6) == pytest.approx(1.41)
    assert kept_bell.q == pytest.approx(1.41 / 10 ** (6 / 40))
    assert kept_shelf.q == pytest.approx(0.71)


@pytest.mark.parametrize("convention", ["cookbook", "constant_q"])
@untimed
@given(settings=output_settings)
def test_doing_it_twice_changes_nothing_more(convention, settings):
    device = description_of(q_convention=convention)
    once = held(settings, device)
    assert held(once, device) == once


@untimed
@given(settings=output_settings)
def test_doing_it_twice_changes_nothing_more_without_steps(settings):
    free = Range(min=0.1, max=40)
    device = description_of(q_convention="constant_q", outputs=(output_of(eq=changed(DEVICE.outputs[0].eq, q=free)),))
    once = held(settings, device)
    assert held(once, device) == once


@untimed
@given(gain_db=st.floats(-15, 15), q=st.floats(0.5, 5))
def test_without_steps_q_comes_back_as_it_went_in(gain_db, q):
    eq = changed(DEVICE.outputs[0].eq, q=Range(min=0.1, max=40), gain_db=Range(min=-15, max=15))
    device = description_of(q_convention="constant_q", outputs=(output_of(eq=eq),))
    assert held(OutputSettings(eq=(bell(1000, gain_db, q),)), device).eq[0].q == q


@untimed
@given(level_db=st.floats(-80, 6), delay_ms=st.floats(0, 200))
def test_what_is_kept_is_at_most_half_a_step_away(level_db, delay_ms):
    kept = held(OutputSettings(level_db=level_db, delay_ms=delay_ms))
    assert abs(kept.level_db - level_db) <= 0.25 + 1e-9
    assert abs(kept.delay_ms - delay_ms) <= 1 / 96 + 1e-9
    assert math.isclose(kept.level_db * 2, round(kept.level_db * 2), abs_tol=1e-9)


def test_a_wish_for_nothing_is_dropped_where_there_is_no_such_setting():
    nothing = OutputSettings(level_db=-6, polarity="normal", delay_ms=0, eq=(), high_pass="none", low_pass="none")
    settings = DeviceSettings(panel_locked=False, power_up_slot=3, outputs={1: nothing})
    kept = representable(BARE, settings)
    assert kept == DeviceSettings(outputs={1: OutputSettings(level_db=-6)})
    assert held(nothing) == nothing


def test_everything_a_device_cannot_do_is_said_at_once():
    settings = DeviceSettings(
        input="network",
        panel_locked=True,
        power_up_slot=2,
        outputs={1: changed(FULL, level_db=3, polarity="inverted", low_pass=crossover(90)), 7: FULL},
    )
    text = complaint(settings, BARE)
    for part in (
        "box-0412 (Tarn 12)",
        "output 1: level 3 dB is outside -60 to 0 dB",
        "output 1: polarity cannot be inverted",
        "output 1: there is no delay; 12 ms wanted",
        "output 1: there is no equaliser",
        "output 1: there is no high-pass",
        "output 1: there is no low-pass",
        "there is no output 7: the device has 1",
        "there is no input 'network' to choose: the device has one fixed input",
        "there is no panel lock",
        "the slot it powers up in cannot be set",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        (OutputSettings(eq=(bell(),) * 11), "11 EQ bands wanted, 10 there are"),
        (OutputSettings(eq=(bell(), bell(gain_db=16))), "EQ band 2: gain 16 dB is outside -15 to 15 dB"),
        (OutputSettings(eq=(bell(10),)), "EQ band 1: frequency 10 Hz is outside 20 to 20000 Hz"),
        (OutputSettings(eq=(bell(q=30),)), "EQ band 1: q 30 is outside 0.3 to 20"),
        (
            OutputSettings(eq=(Band(shape="notch", frequency_hz=100, q=8),)),
            "EQ band 1: no notch is offered, but bell, low shelf, high shelf and all pass",
        ),
        (
            OutputSettings(high_pass=crossover(slope=48)),
            "no high-pass Linkwitz-Riley 48 dB/oct is offered, but Linkwitz-Riley 12 and 24 and Butterworth",
        ),
        (OutputSettings(low_pass=crossover(family="bessel")), "no low-pass Bessel 24 dB/oct is offered"),
        (OutputSettings(high_pass=crossover(600)), "high-pass frequency 600 Hz is outside 20 to 500 Hz"),
        (OutputSettings(delay_ms=250), "delay 250 ms is outside 0 to 200 ms"),
    ],
)
def test_complaints_of_an_output(settings, text):
    assert text in complaint(DeviceSettings(outputs={1: settings}))


def test_a_filter_that_does_not_exist_is_refused_even_if_a_device_offers_it():
    odd = CrossoverAbility(slopes={"linkwitz_riley": (18,)}, frequency_hz=Range(min=20, max=500))
    device = description_of(outputs=(output_of(high_pass=odd),))
    wish = DeviceSettings(outputs={1: OutputSettings(high_pass=crossover(slope=18))})
    assert "no high-pass Linkwitz-Riley 18 dB/oct" in complaint(wish, device)


@pytest.mark.parametrize(
    ("wish", "text"),
    [({"input": "phono"}, "no input 'phono'"), ({"power_up_slot": 9}, "no slot 9 to power up in: the device has 8")],
)
def test_complaints_of_a_device(wish, text):
    assert text in complaint(DeviceSettings(**wish))


def test_names_from_the_network_are_made_safe():
    assert "\x1b" not in complaint(DeviceSettings(outputs={4: FULL}), description_of(model="Tarn\x1b[2J"))
