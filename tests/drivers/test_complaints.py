"""Complaints are made once, and a device that finds ever new nonsense to say cannot fill the memory."""

from __future__ import annotations

import logging
from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.drivers.mqtt.hearing import Hearing
from fleet.model.once import Once

ROOT = "loudspeakers/v1"


@given(st.integers(1, 5), st.lists(st.integers(0, 8)))
def test_what_was_told_lately_is_not_new(most: int, told: list[int]) -> None:
    once, lately = Once(most), deque[int]()
    for thing in told:
        assert once.first(thing) == (thing not in lately)
        if thing in lately:
            lately.remove(thing)
        lately.append(thing)
        while len(lately) > most:
            lately.popleft()


def test_nonsense_is_warned_of_once_and_then_only_noted(caplog: pytest.LogCaptureFixture) -> None:
    hearing = Hearing(ROOT)
    caplog.set_level(logging.DEBUG)
    for _ in range(3):
        hearing.hear(f"{ROOT}/devices/00/box-1/state", b"{}")
    assert [r.levelno for r in caplog.records] == [logging.WARNING, logging.DEBUG, logging.DEBUG]


def test_a_thousand_times_new_nonsense_does_not_add_up(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL)
    hearing = Hearing(ROOT)
    for n in range(3000):
        assert hearing.hear(f"{ROOT}/devices/00/*{n}/state", b"{}") == []
    assert len(hearing._complained._told) == 1000
