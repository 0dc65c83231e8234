"""Descriptions, positions and reports that the tests of comparing and representing are built from."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from fleet.model.description import (
    CrossoverAbility,
    Description,
    EqAbility,
    OutputDescription,
    PowerUp,
    Range,
    SlotAbility,
)
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Moment, Reported, State
from fleet.model.venue import Position, Room, Venue
from fleet.reconcile.wanted import WantedDevice, WantedOutput

untimed = hypothesis_settings(deadline=None, max_examples=50)
"""Properties are not timed: a busy machine must not fail them."""

STORES = ("level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass")
SLOPES = {"linkwitz_riley": (12, 24), "butterworth": (12, 18, 24)}


def output_of(number=1, **other):
    return OutputDescription(
        **{
            "output": number,
            "passband_hz": (58, 18_000),
            "level_db": Range(min=-80, max=6, step=0.5),
            "delay_ms": Range(min=0, max=200, step=1 / 48),
            "polarity": True,
            "eq": EqAbility(
                bands=10,
                shapes=("bell", "low_shelf", "high_shelf", "all_pass"),
                frequency_hz=Range(min=20, max=20_000),
                gain_db=Range(min=-15, max=15, step=0.1),
                q=Range(min=0.3, max=20, step=0.01),
            ),
            "high_pass": CrossoverAbility(slopes=SLOPES, frequency_hz=Range(min=20, max=500, step=1)),
            "low_pass": CrossoverAbility(slopes=SLOPES, frequency_hz=Range(min=40, max=20_000, step=1)),
            **other,
        }
    )


BARE_OUTPUT = OutputDescription(output=1, passband_hz=(80, 15_000), level_db=Range(min=-60, max=0, step=1))


def description_of(device="box-0412", outputs=None, **other):
    return Description(
        **{
            "id": device,
            "serial": f"TN-{device}",
            "model": "Tarn 12",
            "sample_rate_hz": 48_000,
            "latency_ms": 2.0,
            "outputs": outputs or (output_of(),),
            "inputs": ("analogue", "network"),
            "panel_lock": True,
            "power_up": PowerUp(behaviour="default_slot", slot=1, slot_settable=True),
            "slots": SlotAbility(count=8, factory=(1, 2), stores=STORES),
            **other,
        }
    )


def bell(frequency_hz=2500.0, gain_db=-2.0, q=1.4):
    return Band(shape="bell", frequency_hz=frequency_hz, gain_db=gain_db, q=q)


def crossover(frequency_hz=90.0, family="linkwitz_riley", slope=24):
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)


FULL = OutputSettings(
    level_db=-6.0,
    mute=False,
    polarity="normal",
    delay_ms=12.0,
    eq=(Band(shape="low_shelf", frequency_hz=90, gain_db=3.5, q=0.7), bell()),
    high_pass=crossover(),
    low_pass="none",
)


def position_of(name="main-left", **other):
    return Position(**{"name": name, "room": "weir-hall", "device": "box-0412", **other})


def room_of(*positions, name="weir-hall", **other):
    return Room(name=name, title=name, positions={p.name: p for p in positions}, groups={}, **other)


def venue_of(*rooms):
    return Venue(name="Weir", time_zone="Europe/Berlin", rooms={room.name: room for room in rooms})


def reported_of(live, description=None, *, mute_causes=(), slots=None, active_slot=None, **wide):
    """What a device of one output reports."""
    described = description or description_of()
    state = State(
        id=described.id,
        serial=described.serial,
        moment=Moment(boot_id="b-1", revision=1),
        boot_count=1,
        uptime_ms=1000,
        active_slot=active_slot,
        live=DeviceSettings(outputs={1: live}, **wide),
        mute_causes={1: tuple(mute_causes)},
    )
    return Reported(description=described, state=state, slots=slots or {})


def slot_of(number, settings, **other):
    return SlotContents(slot=number, outputs=None if settings is None else {1: settings}, **other)


def wanted_of(settings, description=None, *, between=None, position=None, **other):
    """What is wanted of a device of one output."""
    described = description or description_of()
    output = WantedOutput(position=position or position_of(), settings=settings, between=between or {})
    return WantedDevice(device=described.id, description=described, outputs={1: output}, **other)


def changed(settings, **other):
    return replace(settings, **other)


bands = st.builds(
    Band,
    shape=st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    frequency_hz=st.floats(20, 20_000),
    gain_db=st.floats(-15, 15),
    q=st.floats(1.0, 8),
)
filters = st.one_of(
    st.just("none"),
    st.builds(
        Crossover,
        family=st.sampled_from(["linkwitz_riley", "butterworth"]),
        slope_db_per_octave=st.sampled_from([12, 24]),
        frequency_hz=st.floats(40, 500),
    ),
)
output_settings = st.builds(
    OutputSettings,
    level_db=st.floats(-80, 6),
    mute=st.booleans(),
    polarity=st.sampled_from(["normal", "inverted"]),
    delay_ms=st.floats(0, 200),
    eq=st.lists(bands, max_size=10).map(tuple),
    high_pass=filters,
    low_pass=filters,
)
