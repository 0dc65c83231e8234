"""A house curve of target points on models of every kind: the same sound within tolerance, or a refusal that says why.

What devices end up with is computed here from the cookbook's analogue prototypes (W3C Note, 2021), scipy's bilinear
transform and `scipy.signal.sosfreqz`, and not by the tool.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from parts import bell, description_of, output_of, position_of, reported_of, room_of, venue_of
from pure_device import PureDevice
from samples_plans import FLAT, HALL, able, carry_out, outlook_of
from scipy import signal

from fleet.desired.load import load
from fleet.errors import BadInput
from fleet.model.description import EqAbility, Range, SlotAbility
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.venue import TargetCurve, Tolerances
from fleet.reconcile.compare import compare
from fleet.reconcile.fitted import target_fit
from fleet.reconcile.plans import plan_apply
from fleet.reconcile.representable import representable
from fleet.reconcile.store_plans import plan_store
from fleet.reconcile.wanted_devices import wanted_device

POINTS = [(31.5, 4), (125, 2.5), (1000, 0), (8000, -2), (16000, -4)]
HOUSE = TargetCurve(points=tuple(POINTS))
VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
ROOM = """\
format: 1
room: hall
curves:
  measured: {points: {31.5: 4, 125: 2.5, 1000: 0, 8000: -2, 16000: -4}}
house_curve: {curve: measured, slot: 5}
positions:
  left: {device: tarn-1, level_db: -6}
  right: {device: tarn-2, level_db: -6, eq: [house, {shape: bell, frequency_hz: 250, gain_db: -3, q: 2}]}
  column: {device: fell-1, level_db: -6}
  bar: {device: scree-1, level_db: -6}
"""
TARN = description_of("tarn-1", model="Tarn 12")
FELL = description_of(
    "fell-1",
    model="Fell 84",
    sample_rate_hz=96_000,
    q_convention="constant_q",
    outputs=(
        output_of(
            passband_hz=(110, 17_000),
            eq=EqAbility(
                bands=16,
                shapes=("bell", "low_shelf", "high_shelf"),
                frequency_hz=Range(min=50, max=20_000),
                gain_db=Range(min=-18, max=12, step=0.1),
                q=Range(min=0.2, max=30, step=0.05),
            ),
        ),
    ),
)
SCREE = description_of(
    "scree-1",
    model="Scree 8",
    outputs=(
        output_of(
            passband_hz=(75, 16_000),
            eq=EqAbility(
                bands=4,
                shapes=("bell", "high_shelf"),
                frequency_hz=Range(min=50, max=16_000, step=1),
                gain_db=Range(min=-12, max=6, step=0.5),
                q=Range(min=0.5, max=8, step=0.1),
            ),
        ),
    ),
)
DESCRIPTIONS = {d.id: d for d in (TARN, replace(TARN, id="tarn-2"), FELL, SCREE)}


def with_eq(**other):
    """The full-range box with another equaliser."""
    output = TARN.outputs[0]
    return replace(TARN, outputs=(replace(output, eq=replace(output.eq, **other)),))


def aiming(target=HOUSE, *, eq=(), **other):
    return position_of(device="tarn-1", target=target, fixed=OutputSettings(eq=eq), **other)


def box(description):
    """A device in memory, flat, with flat slots."""
    flat = able("full", FLAT)
    slots = {n: SlotContents(slot=n, outputs={1: flat}) for n in range(1, description.slots.count + 1)}
    live = DeviceSettings(outputs={1: flat}, input="network", panel_locked=False, power_up_slot=1)
    return PureDevice(description=description, live=live, slots=slots, active_slot=5)


def section(band, rate_hz):
    a, q = 10 ** (band.gain_db / 40), band.q
    top, bottom = {
        "bell": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": ([a, a * np.sqrt(a) / q, a * a], [a, np.sqrt(a) / q, 1]),
        "high_shelf": ([a * a, a * np.sqrt(a) / q, a], [1, np.sqrt(a) / q, a]),
    }[band.shape]
    scale = (2 * rate_hz * np.tan(np.pi * band.frequency_hz / rate_hz)) ** -np.array([2.0, 1.0, 0.0])
    numerator, denominator = signal.bilinear(top * scale, bottom * scale, fs=rate_hz)
    return [*numerator, *denominator]


def response_db(bands, rate_hz, at_hz):
    if not bands:
        return np.zeros(len(at_hz))
    return 20 * np.log10(np.abs(signal.sosfreqz([section(b, rate_hz) for b in bands], worN=at_hz, fs=rate_hz)[1]))


def target_db(at_hz, points=POINTS):
    return np.interp(np.log(at_hz), np.log([hz for hz, _ in points]), [db for _, db in points])


def heard_hz(description):
    return np.geomspace(*description.outputs[0].passband_hz, 500)


@pytest.fixture(scope="module")
def rooms():
    return list(load({"venue.yaml": VENUE, "rooms/hall.yaml": ROOM}).venue.rooms.values())


@pytest.fixture(scope="module")
def applied(rooms):
    devices = [box(d) for d in DESCRIPTIONS.values()]
    carry_out(plan_apply(outlook_of(rooms, devices), HALL), devices)
    carry_out(plan_store(outlook_of(rooms, devices), HALL), devices)
    return devices


def test_mixed_models_end_with_one_sound(applied):
    for device in applied:
        description, eq = device.description, device.live.outputs[1].eq
        extra = [bell(250, -3, 2)] if device.id == "tarn-2" else []
        at_hz = heard_hz(description)
        made_db = response_db(eq, description.sample_rate_hz, at_hz)
        wanted_db = target_db(at_hz) + response_db(extra, description.sample_rate_hz, at_hz)
        assert np.abs(made_db - wanted_db).max() < 0.5, device.id
        assert device.slots[5].outputs[1].eq == eq
    numbers = {d.id: {(b.shape, round(b.frequency_hz), b.gain_db) for b in d.live.outputs[1].eq} for d in applied}
    assert numbers["tarn-1"] != numbers["fell-1"] != numbers["scree-1"]


def test_nothing_differs_after_it_was_applied(rooms, applied):
    again = outlook_of(rooms, applied)
    found = compare([(again.wants[d.id], d.reported()) for d in applied])
    assert [d for d in found.differences if d.setting == "eq"] == []
    assert plan_apply(again, HALL).devices == ()
    assert plan_store(again, HALL).devices == ()


def test_how_well_it_was_fitted_is_noted(rooms, applied):
    wants = outlook_of(rooms, applied).wants
    found = compare([(wants[d.id], d.reported()) for d in applied])
    words = {n.position: n.words for n in found.notes if "fitted" in n.words}
    assert set(words) == {"left", "right", "column", "bar"}
    for device in applied:
        output, rate_hz = wants[device.id].outputs[1], device.description.sample_rate_hz
        eq = output.settings.eq[: len(output.fit.bands)]
        at_hz = np.array([output.fit.worst_at_hz])
        off_db = abs(response_db(eq, rate_hz, at_hz) - target_db(at_hz))[0]
        assert output.fit.worst_error_db == pytest.approx(off_db, abs=1e-6)
        assert words[output.position.name].startswith(f"target curve fitted with {len(eq)} bands, at most 0.")


def test_a_band_that_drifts_is_a_difference_of_response():
    wanted = wanted_device(venue_of(room_of(aiming())), "tarn-1", DESCRIPTIONS, representable)
    eq = wanted.outputs[1].settings.eq
    drifted = (*eq[:-1], replace(eq[-1], gain_db=eq[-1].gain_db - 3))
    found = compare([(wanted, reported_of(replace(FLAT, eq=drifted), TARN))])
    assert [(d.setting, d.words.split()[0]) for d in found.differences] == [("eq", "EQ:")]
    same = compare([(wanted, reported_of(replace(FLAT, eq=eq[::-1]), TARN))])
    assert same.differences == ()


def test_bands_given_by_hand_are_kept_and_count():
    hand = (bell(250, -3, 2), bell(4000, 1.5, 3))
    wanted = wanted_device(venue_of(room_of(aiming(eq=hand))), "tarn-1", DESCRIPTIONS, representable)
    eq = wanted.outputs[1].settings.eq
    assert eq[-2:] == hand
    assert eq[:-2] == target_fit(aiming(), TARN).bands
    few = with_eq(bands=3)
    with pytest.raises(BadInput, match=r"cannot be made with 1 band: \d"):
        target_fit(aiming(eq=hand), few)
    assert target_fit(aiming(eq=hand, tolerances=Tolerances(eq_db=6)), few).bands != ()


def test_a_curve_beyond_tolerance_is_refused_with_its_worst_place():
    room = room_of(aiming())
    with pytest.raises(BadInput) as caught:
        wanted_device(venue_of(room), "tarn-1", {"tarn-1": with_eq(bands=1)}, representable)
    said = str(caught.value)
    assert said.startswith("weir-hall/main-left: the curve cannot be made with 1 band: ")
    assert said.endswith(" (tolerance 1 dB)")
    loose = room_of(aiming(tolerances=Tolerances(eq_db=5)))
    fit = wanted_device(venue_of(loose), "tarn-1", {"tarn-1": with_eq(bands=1)}, representable).outputs[1].fit
    assert f"{fit.worst_error_db:.1f} dB off at" in said
    assert len(fit.bands) <= 1


@pytest.mark.parametrize(
    ("description", "words"),
    [
        (replace(TARN, outputs=(replace(TARN.outputs[0], eq=None),)), "without an equaliser: "),
        (with_eq(bands=0), "with 0 bands: "),
        (with_eq(shapes=("all_pass",)), "with 10 bands: "),
        (with_eq(gain_db=Range(min=-0.1, max=0.1)), "with 10 bands: "),
        (with_eq(frequency_hz=Range(min=60, max=70)), "with 10 bands: "),
    ],
)
def test_devices_that_cannot(description, words):
    with pytest.raises(BadInput, match=words):
        target_fit(aiming(), description)


@pytest.mark.parametrize(
    "description",
    [
        replace(TARN, outputs=(replace(TARN.outputs[0], passband_hz=(1, 2)),)),
        replace(TARN, sample_rate_hz=20),
        replace(TARN, outputs=(replace(TARN.outputs[0], passband_hz=(500, 501)),)),
    ],
)
def test_a_device_that_describes_itself_wrongly_is_a_complaint(description):
    with pytest.raises(BadInput, match="cannot be fitted to what the device tells of itself: passband_hz"):
        target_fit(aiming(), description)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "ability",
    [
        {"gain_db": Range(min=-1e9, max=1e9)},
        {"q": Range(min=-1, max=1e9)},
        {"frequency_hz": Range(min=-20, max=1e300)},
        {"q": Range(min=2, max=1)},
        {"gain_db": Range(min=6, max=-6)},
    ],
)
def test_whatever_ranges_a_device_tells_of_the_answer_is_bands_or_a_complaint(ability):
    try:
        fit = target_fit(aiming(), with_eq(**ability))
    except BadInput:
        return
    at_hz = heard_hz(TARN)
    assert np.abs(response_db(fit.bands, 48_000, at_hz) - target_db(at_hz)).max() < 1


def test_where_nothing_is_aimed_at_nothing_is_fitted():
    assert target_fit(position_of(), TARN) is None
    flat = TargetCurve(points=((100, 0), (1000, 0)))
    assert target_fit(aiming(flat), TARN).bands == ()
    deaf = replace(TARN, outputs=(replace(TARN.outputs[0], eq=None),), slots=SlotAbility(count=0))
    wanted = wanted_device(venue_of(room_of(aiming(flat))), "tarn-1", {"tarn-1": deaf}, representable)
    assert wanted.outputs[1].settings.eq is None


@hypothesis_settings(deadline=None, max_examples=10, phases=[Phase.explicit, Phase.generate])  # shrinking takes long
@given(
    points=st.lists(
        st.tuples(st.floats(40, 15_000), st.floats(-5, 5)), min_size=2, max_size=4, unique_by=lambda point: point[0]
    ),
    description=st.sampled_from([TARN, FELL, SCREE]),
)
def test_what_is_fitted_can_be_held_as_it_is_and_is_as_good_as_it_says(points, description):
    aim = aiming(TargetCurve(points=tuple(sorted(points))), tolerances=Tolerances(eq_db=100))
    fit = target_fit(aim, description)
    asked = DeviceSettings(outputs={1: OutputSettings(eq=fit.bands)})
    held = representable(description, asked)
    assert representable(description, held) == held
    assert [(b.shape, b.frequency_hz, b.gain_db) for b in held.outputs[1].eq] == [
        (b.shape, b.frequency_hz, b.gain_db) for b in fit.bands
    ]
    assert [b.q for b in held.outputs[1].eq] == pytest.approx([b.q for b in fit.bands], rel=1e-12)
    low_hz, high_hz = description.outputs[0].passband_hz
    grid_hz = 1000 * 10 ** (np.arange(-136, 105) / 80)
    at_hz = np.array([*grid_hz, *(b.frequency_hz for b in fit.bands)])
    at_hz = at_hz[(at_hz >= low_hz) & (at_hz <= high_hz)]
    off_db = np.abs(response_db(fit.bands, description.sample_rate_hz, at_hz) - target_db(at_hz, sorted(points)))
    assert off_db.max() == pytest.approx(fit.worst_error_db, abs=1e-6)
