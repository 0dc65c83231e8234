"""Captured rooms as files: tidy, written as people write, and with everything said that was left out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from captured_devices import LR24, capture, compared, loaded, reported

from fleet.model.state import Reported
from fleet.reconcile.capture_names import free_name, name_from
from fleet.reconcile.capture_values import captured, shortest
from fleet.reconcile.representable import representable
from fleet.services.capturing import room_text
from simulators.models import FENNBECK, MILLRACE, REEDWATER, RILLET, UNDERMERE, WEIRHOUSE

FOLDER = Path(__file__).parent / "captured"
WARM = [
    {"shape": "low_shelf", "frequency_hz": 90, "gain_db": 2.5, "q": 0.7},
    {"shape": "bell", "frequency_hz": 2500, "gain_db": -2, "q": 1.4},
]
TOP = {"eq": WARM, "high_pass": {**LR24, "frequency_hz": 90}}
SUB = {"eq": [], "low_pass": {**LR24, "frequency_hz": 90}, "level_db": -4}


def hall() -> list[Reported]:
    """Four tops, two fills, two subs, all in their house-curve slots."""
    tops = [
        reported(FENNBECK, f"fenn-010{n}", [{**TOP, "level_db": level}], slot=5, slot_name="warm", input="network")
        for n, level in enumerate((-6, -6, -8.5, -8.5), start=1)
    ]
    fills = [
        reported(
            RILLET,
            f"rill-012{n}",
            [{**TOP, "level_db": -12, "delay_ms": 12.3, "high_pass": {**LR24, "frequency_hz": 120}}],
            slot=4,
            slot_name="warm",
            input="network",
        )
        for n in (1, 2)
    ]
    subs = [reported(UNDERMERE, f"under-011{n}", [SUB], slot=3, slot_name="warm") for n in (1, 2)]
    return [*tops, *fills, *subs]


def foyer() -> list[Reported]:
    """An amplifier whose lines are set differently, a plain box, and a column that is muted at its panel."""
    lines: list[Any] = [
        {"level_db": -10},
        {"level_db": -12},
        {"level_db": -10, "polarity": "inverted"},
        {"level_db": -80},
    ]
    return [
        reported(WEIRHOUSE, "weir-0410", lines, slot=5, input="local"),
        reported(MILLRACE, "Mill-0401", [{"level_db": -14, "eq": WARM[1:]}], slot=1),
        reported(REEDWATER, "reed-0301", [{"level_db": -9.4, "eq": WARM[1:]}], mutes={1: frozenset({"panel"})}),
    ]


@pytest.mark.parametrize(("name", "devices"), [("hall", hall()), ("foyer", foyer()), ("alone", hall()[:1])])
def test_the_file_is_as_kept(name: str, devices: list[Reported]) -> None:
    room = capture(devices)
    text = room_text(room.data) + "".join(f"# {position}: {words}\n" for position, words in room.notes)
    file = FOLDER / f"{name}.yaml"
    if os.environ.get("FLEET_GOLDEN") == "write":
        FOLDER.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == text
    assert compared(loaded(room), devices).differences == ()


@pytest.mark.parametrize("devices", [hall(), foyer()], ids=["hall", "foyer"])
def test_the_order_in_which_devices_are_read_orders_the_positions_and_nothing_else(devices: list[Reported]) -> None:
    room, other = capture(devices), capture(devices[::-1])
    assert list(other.data["positions"]) != list(room.data["positions"])
    assert (other.data, sorted(other.notes)) == (room.data, sorted(room.notes))


@pytest.mark.parametrize(
    ("value", "step", "wanted"),
    [
        (2499.9999999, 0.0, 2500),
        (-6.300000000000004, 0.1, -6.3),
        (590 / 48, 1 / 48, 12.3),
        (599 / 48, 1 / 48, 12.48),
        (2.25, 0.25, 2.25),
    ],
)
def test_numbers_are_written_as_people_would(value: float, step: float, wanted: float) -> None:
    def holds(candidate: float) -> bool:
        kept = round(candidate / step) * step if step else candidate
        return abs(kept - value) < 1e-6

    assert shortest(value, holds) == wanted


def test_a_q_that_is_counted_otherwise_is_written_as_the_cookbook_counts_it() -> None:
    """Constant Q 2.0 of a cut of 6 dB is cookbook Q 2.0 / 10^(6/40) = 1.416, which the device's step of 0.1 allows."""
    sub = reported(UNDERMERE, "under-1", [{"eq": [{"shape": "bell", "frequency_hz": 50, "gain_db": -6, "q": 2.0}]}])
    one = captured("sub", sub, 1, representable)
    assert one.live("eq")[0].q == pytest.approx(1.41589, abs=1e-5)  # type: ignore[index, union-attr]
    assert one.values["eq"][0].q == 1.4  # type: ignore[index, union-attr]
    assert compared(loaded(capture([sub])), [sub]).differences == ()


def test_a_slot_is_asked_for_only_where_it_holds_what_is_live() -> None:
    def asked(one: Reported) -> tuple[Any, str]:
        room = capture([one])
        return room.data["positions"]["fenn-1"].get("slot"), " ".join(words for _, words in room.notes)

    assert asked(reported(FENNBECK, "fenn-1", [{"level_db": -6}], slot=5)) == (5, "")
    other = reported(FENNBECK, "fenn-1", [{"level_db": -6}], slot=5, stored_as=[{"level_db": -9, "delay_ms": 1}])
    assert asked(other) == (None, "slot 5 is active, but holds another level and delay: none is asked for")
    assert "slot 2 is active and is the factory's" in asked(reported(FENNBECK, "fenn-1", slot=2))[1]
    assert "in no preset slot" in asked(reported(FENNBECK, "fenn-1"))[1]


def test_an_alarm_mute_is_never_written_and_a_panel_mute_is_said() -> None:
    def muted(*causes: str) -> tuple[Any, str]:
        room = capture([reported(MILLRACE, "mill-1", slot=2, mutes={1: frozenset(causes)})])
        return room.data["positions"]["mill-1"].get("mute"), " ".join(words for _, words in room.notes)

    assert muted() == (None, "")
    assert muted("panel") == (True, "muted now, and written as muted")
    assert muted("alarm", "controller")[0] is True
    assert muted("alarm") == (None, "muted by alarm, which is not for this tool to want")


def test_names_are_made_of_what_there_is() -> None:
    assert name_from("Hall Left (2)") == "hall-left-2"
    assert name_from("Köln_№1") == "koln-no1"
    assert name_from("???") == ""
    assert len(name_from("x" * 90)) == 63
    assert free_name("warm", {"warm", "warm-2"}) == "warm-3"
    assert free_name("x" * 63, {"x" * 63}) == "x" * 61 + "-2"


def test_a_large_room_of_boxes_that_are_all_different_is_still_captured() -> None:
    """Beyond the number of kinds that are compared pair by pair."""
    devices = [
        reported(FENNBECK, f"fenn-{n:03d}", [{"level_db": -n / 2, "delay_ms": n / 10}], panel_locked=n % 2 == 0)
        for n in range(100)
    ]
    room = capture(devices)
    assert compared(loaded(room), devices).differences == ()
    assert "high_pass" in room.data["defaults"]


def test_filters_that_would_harm_a_box_are_left_out_and_said() -> None:
    """The box needs 28 Hz. The room's other subwoofer does not make its own the default."""
    bare = reported(UNDERMERE, "under-1", [{**SUB, "high_pass": "none"}])
    sound = reported(UNDERMERE, "under-2", [SUB])
    room = capture([bare, sound])
    assert "high_pass" not in room.data["defaults"]
    assert "high_pass" not in room.data["positions"]["under-1"]
    assert room.data["positions"]["under-2"]["high_pass"]["frequency_hz"] == 28
    words = "it has no high-pass, and its box needs 28 Hz or more: the high-pass is left out"
    assert ("under-1", words) in room.notes
    crossed = {"high_pass": {**LR24, "frequency_hz": 300}, "low_pass": {**LR24, "frequency_hz": 200}}
    room = capture([reported(FENNBECK, "fenn-1", [crossed])])
    assert not {"high_pass", "low_pass"} & set(room.data["positions"]["fenn-1"])
    assert ("fenn-1", "its high-pass is not below its low-pass: both are left out") in room.notes
