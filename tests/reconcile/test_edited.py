"""Edited: live settings that are not exactly what the active slot holds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from parts import FULL, bell, changed, crossover, description_of, output_settings, reported_of, untimed

from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.reconcile.edited import edited
from fleet.reconcile.representable import representable


def device(live: OutputSettings, stored: OutputSettings | None, slot_input: str | None = None) -> Reported:
    """A device in slot 4, which holds what is stored, or cannot be read."""
    reported = reported_of(live, input="network")
    outputs = None if stored is None else {1: stored}
    return replace(
        reported,
        state=replace(reported.state, active_slot=4),
        slots={4: SlotContents(slot=4, input=slot_input, outputs=outputs)},
    )


@untimed
@given(settings=output_settings)
def test_a_device_that_has_just_recalled_is_not_edited(settings):
    held = representable(description_of(), DeviceSettings(outputs={1: settings})).outputs[1]
    assert edited(device(held, held.only(STORABLE))) is False


@pytest.mark.parametrize(
    ("live", "is_edited"),
    [
        ({}, False),
        ({"level_db": FULL.level_db + 0.5}, True),
        ({"polarity": "inverted"}, True),
        ({"delay_ms": FULL.delay_ms + 1 / 48}, True),
        ({"eq": (FULL.eq[0], bell(gain_db=-2.1))}, True),
        ({"eq": tuple(reversed(FULL.eq))}, False),
        ({"high_pass": crossover(91)}, True),
        ({"level_db": None}, True),
        ({"mute": True}, False),
    ],
)
def test_exactly_what_the_slot_holds(live, is_edited):
    assert edited(device(changed(FULL, **live), FULL)) is is_edited


def test_what_the_slot_does_not_store_is_not_compared():
    stored = OutputSettings(level_db=FULL.level_db)
    assert edited(device(changed(FULL, polarity="inverted"), stored)) is False


def test_an_input_that_the_slot_stores_counts():
    assert edited(device(FULL, FULL, "network")) is False
    assert edited(device(FULL, FULL, "analogue")) is True


def test_what_cannot_be_read_cannot_be_told():
    unread = device(FULL, None)
    assert edited(unread) is None
    assert edited(replace(unread, slots={})) is None
    no_slot = device(FULL, FULL)
    assert edited(replace(no_slot, state=replace(no_slot.state, active_slot=None))) is None
