"""From the desired state of positions to what a device should be, and the delay that aligns a position."""

from __future__ import annotations

import pytest
from parts import FULL, STORES, changed, crossover, description_of, output_of, position_of, room_of, venue_of

from fleet.errors import BadInput, NotFound
from fleet.model.description import SlotAbility
from fleet.model.settings import OutputSettings
from fleet.model.venue import Between, TimeAlign
from fleet.reconcile.alignment import alignment_delay_ms
from fleet.reconcile.representable import representable
from fleet.reconcile.wanted_devices import wanted_device, wanted_devices

BOX = description_of()
AMP = description_of("amp-0031", outputs=(output_of(1), output_of(2)))


def wanted(device, *rooms, descriptions=(BOX, AMP)):
    return wanted_device(venue_of(*rooms), device, {d.id: d for d in descriptions}, representable)


def complaint(device, *rooms, **other):
    with pytest.raises(BadInput) as caught:
        wanted(device, *rooms, **other)
    return str(caught.value)


def test_settings_are_what_the_device_can_hold():
    result = wanted("box-0412", room_of(position_of(fixed=changed(FULL, level_db=-6.2))))
    assert result.outputs[1].settings.level_db == -6.0
    assert result.slot is None
    assert result.stored is None
    assert result.problems == ()


def test_a_slot_is_to_hold_everything_its_model_stores():
    room = room_of(position_of(fixed=FULL, slots={"Tarn 12": 5, "*": 3}, input="network"), house_curve="warm")
    result = wanted("box-0412", room)
    assert (result.slot, result.input) == (5, "network")
    assert result.stored.slot == 5
    assert result.stored.name == "warm"
    assert result.stored.outputs[1] == changed(result.outputs[1].settings, mute=None)
    assert result.stored.input is None
    assert result.problems == ("slots of Tarn 12 do not store input: a recall alone does not bring it back",)


def test_a_slot_that_stores_the_input_is_to_hold_it():
    device = description_of(slots=SlotAbility(count=8, stores=(*STORES, "input")))
    result = wanted(
        "box-0412", room_of(position_of(fixed=FULL, slots={"*": 3}, input="network")), descriptions=[device]
    )
    assert (result.slot, result.stored.input, result.problems) == (3, "network", ())


def test_a_level_in_a_range_is_neither_set_nor_stored():
    fixed = OutputSettings(polarity="inverted")
    room = room_of(position_of(fixed=fixed, between={"level_db": Between(low=-20, high=-8)}, slots={"*": 5}))
    result = wanted("box-0412", room)
    assert result.outputs[1].settings == fixed
    assert result.outputs[1].between["level_db"].high == -8
    assert result.stored.outputs[1] == fixed


def test_a_factory_slot_is_a_problem_and_one_that_is_not_there_an_error():
    assert "slot 2 of Tarn 12 is the factory's" in wanted("box-0412", room_of(position_of(slots={"*": 2}))).problems[0]
    assert "has no slot 9: it has 8" in complaint("box-0412", room_of(position_of(slots={"*": 9})))


def test_nothing_is_wanted_of_a_device_that_serves_life_safety_at_any_output():
    horn = position_of("alarm-horn", device="amp-0031", output=2, life_safety=True)
    music = position_of("bar", device="amp-0031", output=1, fixed=FULL, slots={"*": 5}, input="network")
    result = wanted("amp-0031", room_of(horn, music))
    assert [o.settings for o in result.outputs.values()] == [OutputSettings()] * 2
    assert (result.slot, result.stored, result.input) == (None, None, None)


@pytest.mark.parametrize(
    ("name", "one", "other"),
    [
        ("slot", {"slots": {"*": 5}}, {"slots": {"*": 6}}),
        ("input", {"input": "network"}, {"input": "analogue"}),
        ("panel_locked", {"panel_locked": True}, {"panel_locked": False}),
        ("power_up_slot", {"power_up_slot": 3}, {"power_up_slot": 4}),
    ],
)
def test_positions_of_one_device_must_agree_and_silence_is_no_disagreement(name, one, other):
    first = position_of("bar", device="amp-0031", output=1, **one)
    second = position_of("terrace", room="garden", device="amp-0031", output=2, **other)
    silent = position_of("terrace", room="garden", device="amp-0031", output=2)
    text = complaint("amp-0031", room_of(first), room_of(second, name="garden"))
    assert f"disagree about {name}" in text
    assert "weir-hall/bar" in text
    assert "garden/terrace" in text
    wanted("amp-0031", room_of(first), room_of(silent, name="garden"))


def test_two_positions_cannot_share_an_output():
    text = complaint("box-0412", room_of(position_of("one"), position_of("two")))
    assert "weir-hall/one and weir-hall/two are both bound to output 1 of box-0412" in text


def test_every_position_that_cannot_be_represented_is_named():
    wrong = changed(FULL, level_db=20)
    bar = position_of("bar", device="amp-0031", output=1, fixed=wrong)
    lounge = position_of("lounge", device="amp-0031", output=2, fixed=changed(FULL, low_pass=crossover(slope=48)))
    text = complaint("amp-0031", room_of(bar, lounge))
    assert "weir-hall/bar: amp-0031 (Tarn 12): output 1: level 20 dB is outside -80 to 6 dB" in text
    assert "weir-hall/lounge: amp-0031 (Tarn 12): output 2: no low-pass" in text
    assert "weir-hall/main-left: box-0412" in complaint("box-0412", room_of(position_of(input="phono")))


def test_unknown_devices():
    with pytest.raises(NotFound, match="no position is bound to box-9"):
        wanted("box-9", room_of(position_of()))
    assert "box-0412 has not told what it can do" in complaint("box-0412", room_of(position_of()), descriptions=[])


def test_many_devices_are_those_of_one_each_and_the_wrong_ones_apart():
    room = room_of(position_of(fixed=FULL), position_of("bar", device="amp-0031", fixed=changed(FULL, level_db=99)))
    venue, descriptions = venue_of(room), {d.id: d for d in (BOX, AMP)}
    right, wrong = wanted_devices(venue, ["amp-0031", "box-0412", "box-9"], descriptions, representable)
    assert right == {"box-0412": wanted_device(venue, "box-0412", descriptions, representable)}
    assert set(wrong) == {"amp-0031", "box-9"}


MAIN = position_of(at_m=(0, 0, 0))
LATENCIES = {"box-0412": 2.0, "fill-1": 1.5, "fill-2": 0.0}


def fill(name="fill", device="fill-1", to="main-left", offset_ms=12.0, **other):
    align = TimeAlign(to=to, offset_ms=offset_ms)
    return position_of(
        name, device=device, **{"at_m": (20.16, 0, 0), "listen_at_m": (27.44, 0, 0), **other}, time_align=align
    )


def test_alignment_is_path_and_offset_and_own_delay_and_latencies():
    # 343.2 m/s at 20 °C (ISO 9613-1): (27.44 - 7.28) m are 58.741 ms; + 12 offset + 3 own delay + 2 - 1.5 latency.
    main = changed_position(MAIN, fixed=OutputSettings(delay_ms=3))
    delay_ms = alignment_delay_ms(room_of(main, fill()), "fill", LATENCIES)
    assert delay_ms == pytest.approx(20.16 / 0.3432 + 12 + 3 + 0.5)


def test_alignment_takes_the_rooms_temperature():
    warm = alignment_delay_ms(room_of(MAIN, fill(), air_temperature_c=30), "fill", LATENCIES)
    assert warm == pytest.approx(20.16 / 0.349005 + 12.5, abs=1e-3)


def test_a_reference_may_itself_be_aligned():
    second = fill("far", device="fill-2", to="fill", offset_ms=5, at_m=(40.32, 0, 0), listen_at_m=(47.6, 0, 0))
    room = room_of(MAIN, fill(), second)
    first_ms = alignment_delay_ms(room, "fill", LATENCIES)
    assert alignment_delay_ms(room, "far", LATENCIES) == pytest.approx(first_ms + 20.16 / 0.3432 + 5 + 1.5)


@pytest.mark.parametrize(
    ("positions", "text"),
    [
        ([MAIN, fill(to="nowhere")], "'nowhere', which is no position of this room"),
        ([MAIN, fill(listen_at_m=None)], "needs a listening point. Give listen_at_m"),
        ([position_of(), fill()], "weir-hall/main-left: time_align needs to know where it is. Give at_m"),
        ([MAIN, fill(device="new-1")], "new-1 has not told its latency"),
        ([fill(to="other"), fill("other", to="fill")], "goes in a circle: fill to other to fill"),
        ([MAIN, fill(offset_ms=-100)], "40.8 ms before the signal comes"),
    ],
)
def test_alignments_that_cannot_be_computed(positions, text):
    with pytest.raises(BadInput) as caught:
        alignment_delay_ms(room_of(*positions), "fill", LATENCIES)
    assert text in str(caught.value)


def test_a_wanted_device_has_its_computed_delay_as_the_device_holds_it():
    devices = [BOX, description_of("fill-1", latency_ms=1.5)]
    result = wanted("fill-1", room_of(MAIN, fill(fixed=OutputSettings(level_db=-12))), descriptions=devices)
    exact_ms = 20.16 / 0.3432 + 12.5
    assert result.outputs[1].settings.delay_ms == pytest.approx(round(exact_ms * 48) / 48)
    assert "weir-hall/fill: aligned to main-left" in complaint(
        "fill-1", room_of(MAIN, fill(offset_ms=-100)), descriptions=devices
    )


def changed_position(position, **other):
    return position_of(**{"at_m": position.at_m, **other})
