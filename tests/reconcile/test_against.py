"""Two snapshots compared by meaning: what differs in the second, in the words of a difference."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from parts import bell, crossover, untimed
from samples_plans import FLAT, device_of
from test_reach import situations

from fleet.model.difference import Grade
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.snapshot import Snapshot, SnapshotBody
from fleet.reconcile.against import compare_snapshots


def snapshot(name, *devices):
    body = SnapshotBody(
        venue="Weir",
        at=datetime(2025, 3, 1, tzinfo=UTC),
        taken_by="sol",
        note="",
        desired_sha256="",
        devices=tuple(d.reported() for d in devices),
        not_read=(),
    )
    return Snapshot(id=name, body=body, sha256="0" * 64)


def found(first, second):
    comparison = compare_snapshots(snapshot("s-1", first), snapshot("s-2", second))
    return [(d.position, d.setting, d.words) for d in comparison.differences]


@untimed
@given(situation=situations())
def test_a_snapshot_differs_from_itself_in_nothing(situation):
    device, _ = situation
    comparison = compare_snapshots(snapshot("s-1", device), snapshot("s-2", device))
    assert (comparison.differences, comparison.not_checked) == ((), ())
    assert len(comparison.checked) == len(device.live.outputs)


@pytest.mark.parametrize(
    ("now", "setting", "words"),
    [
        ({"level_db": 1.5}, "level_db", "1.5 dB louder than wanted"),
        ({"delay_ms": 12.0}, "delay_ms", "12 ms late: 4.1 m"),
        ({"polarity": "inverted"}, "polarity", "polarity is inverted, wanted normal"),
        ({"eq": (bell(gain_db=3.2),)}, "eq", "EQ: 3.2 dB too much at 2.5 kHz"),
        ({"high_pass": crossover()}, "high_pass", "high-pass is Linkwitz-Riley 24 dB/oct at 90 Hz, wanted none"),
    ],
)
def test_what_moved_is_said_by_meaning(now, setting, words):
    assert found(device_of(), device_of(live={1: OutputSettings(**now)})) == [("output-1", setting, words)]


def test_the_same_response_by_other_parameters_is_no_difference():
    one = (bell(gain_db=-2.0), bell(frequency_hz=300.0, gain_db=3.0))
    other = (one[1], bell(frequency_hz=60.0, gain_db=0.0), one[0])
    assert found(device_of(live={1: OutputSettings(eq=one)}), device_of(live={1: OutputSettings(eq=other)})) == []


def test_device_wide_settings_and_the_slot_are_compared():
    then = device_of("amp-1", "amp")
    now = device_of("amp-1", "amp", wide={"input": "analogue", "panel_locked": True, "power_up_slot": 4}, active_slot=5)
    assert [setting for _, setting, _ in found(then, now)] == ["slot", "input", "panel_locked", "power_up_slot"]


def test_a_mute_and_its_absence_are_serious():
    silent = device_of(causes={1: {"panel"}})
    for first, second in ((device_of(), silent), (silent, device_of())):
        (difference,) = compare_snapshots(snapshot("a", first), snapshot("b", second)).differences
        assert (difference.setting, difference.grade) == ("mute", Grade.SERIOUS)


@pytest.mark.parametrize("slot", [3, 6], ids=["active", "another"])
def test_contents_of_every_slot_that_can_be_read_are_compared(slot):
    other = SlotContents(slot=slot, outputs={1: replace(FLAT, level_db=-9.0)})
    comparison = compare_snapshots(snapshot("a", device_of()), snapshot("b", device_of(slots={slot: other})))
    (difference,) = comparison.differences
    assert (difference.subject, difference.slot, difference.setting) == ("stored", slot, "level_db")


def test_each_output_of_an_amplifier_has_its_place():
    then = device_of("amp-1", "amp")
    now = device_of("amp-1", "amp", live={2: OutputSettings(level_db=-10.0)})
    assert [(where, what) for where, what, _ in found(then, now)] == [("output-2", "level_db")]
    assert compare_snapshots(snapshot("a", then), snapshot("b", now)).checked == tuple(
        ("amp-1", f"output-{n}") for n in (1, 2, 3)
    )


def test_devices_that_only_one_holds_are_named():
    first = snapshot("s-1", device_of("box-1"), device_of("box-2"))
    second = snapshot("s-2", device_of("box-2"), device_of("box-3"))
    comparison = compare_snapshots(first, second)
    assert [(n.device, n.words) for n in comparison.not_checked] == [
        ("box-1", "only in snapshot s-1"),
        ("box-3", "only in snapshot s-2"),
    ]
    assert comparison.checked == (("box-2", "output-1"),)
    assert not comparison.same()


def test_a_device_that_lost_an_output_setting_is_said():
    now = device_of()
    now.live = DeviceSettings(outputs={1: replace(now.live.outputs[1], delay_ms=None)}, input="network")
    assert ("output-1", "delay_ms", "delay is not told") in found(device_of(), now)
