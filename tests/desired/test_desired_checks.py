"""Every design check: rooms that it finds something in, rooms that just pass at the limit, silence, explanations."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import replace
from itertools import product

import pytest

from fleet.desired.check import CHECKS, named
from fleet.desired.load import load
from fleet.errors import BadFiles, NotFound
from tests.desired.check_cases import VENUE, Case, all_cases

CASES = all_cases()
NUMBER = re.compile(r"(?<![\w.-])-?\d+(\.\d+)?(?![\w.-])")
SILENCEABLE = [name for name, check in CHECKS.items() if check.silenceable]


def hall(room: str) -> dict[str, str]:
    return {"venue.yaml": VENUE, "rooms/hall.yaml": f"format: 1\nroom: hall\n{room}"}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_finds_what_it_is_for_at_its_place(case: Case) -> None:
    for bad in case.bad:
        if "refused" in bad:
            with pytest.raises(BadFiles) as refusal:
                load(hall(bad["room"]))
            assert [str(complaint) for complaint in refusal.value.complaints] == bad["refused"]
        else:
            assert bad["says"]
            assert case.said(bad["room"]) == bad["says"]


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_says_nothing_of_what_just_passes(case: Case) -> None:
    for good in case.good:
        assert case.said(good) == []


def test_every_check_has_both_and_an_explanation() -> None:
    assert set(CASES) == set(CHECKS)
    for name, case in CASES.items():
        check = named(name)
        assert case.bad, name
        assert case.good, name
        assert case.source, name
        assert check.name == name
        for words in (check.seeks, check.explains, check.source):
            assert words.rstrip() == words, name
            assert len(words) > 8, name
        shown = {said.split()[0] for bad in case.bad for said in bad.get("says", ["error"])}
        assert shown == set(check.severities), name


@pytest.mark.parametrize("name", SILENCEABLE)
def test_what_is_silenced_in_a_room_is_told_with_its_reason(name: str) -> None:
    case = CASES[name]
    for bad in case.bad:
        checked = case.checked(f'silence: [{{check: {name}, reason: "as agreed"}}]\n{bad["room"]}')
        assert name not in {finding.name for finding in checked.findings}
        own = [each for each in checked.silenced if each.finding.name == name]
        assert [each.finding.complaint.text for each in own] == [said.split(" ", 2)[2] for said in bad["says"]]
        assert {each.reason for each in own} == {"as agreed"}


@pytest.mark.parametrize("name", sorted(set(CHECKS) - set(SILENCEABLE)))
def test_what_keeps_from_harm_cannot_be_silenced(name: str) -> None:
    with pytest.raises(BadFiles, match=f"check `{name}` cannot be silenced"):
        load(hall(f"silence: [{{check: {name}, reason: no}}]\n"))


def test_life_safety_and_what_a_device_cannot_be_are_never_silenced() -> None:
    assert not {"life-safety", "ceiling", "protective-high-pass", "not-representable", "slot"} & set(SILENCEABLE)


def test_silence_at_one_position_of_a_group_leaves_the_others() -> None:
    room = (
        "groups: {g: {mute: true}}\npositions:\n"
        "  a: {device: box-1, groups: [g], silence: [{check: muted, reason: waits for its stand}]}\n"
        "  b: {device: box-2, groups: [g]}\n"
    )
    checked = CASES["muted"].checked(room)
    assert [f.complaint.text for f in checked.findings] == ["`b` is kept muted; say why with a `silence`"]
    assert [(s.finding.complaint.text, s.reason) for s in checked.silenced] == [
        ("`a` is kept muted; say why with a `silence`", "waits for its stand")
    ]


def test_silence_counts_at_either_of_two_neighbours() -> None:
    room = CASES["level-step"].bad[0]["room"]
    louder = room.replace("level_db: -6}", "level_db: -6, silence: [{check: level-step, reason: a bar}]}")
    assert louder != room
    assert CASES["level-step"].said(louder) == []


def test_silence_of_one_check_is_not_that_of_another() -> None:
    room = 'silence: [{check: no-group, reason: "none"}]\n' + CASES["muted"].bad[0]["room"]
    assert [finding.name for finding in CASES["muted"].checked(room).findings] == ["muted"]


def test_latencies_count_where_all_devices_of_the_room_are_known() -> None:
    """24 m and 6 m are 52.448 ms apart at 20 °C (ISO 9613-1:1993, Annex A); 3 ms of latency make up for 3 ms less."""
    case = CASES["fill-early"]
    room = case.good[0].replace("delay_ms: 52.45", "delay_ms: 49.45")
    assert room != case.good[0]
    assert len(case.said(room)) == 1
    slow = CASES["unknown-device"].devices["box-1"]
    known = replace(case, devices={"box-1": slow, "box-2": replace(slow, id="box-2", latency_ms=3.0)})
    assert known.said(room) == []
    assert len(replace(known, devices={"box-2": known.devices["box-2"]}).said(room)) == 1


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
@pytest.mark.filterwarnings("error")
def test_no_number_that_the_loader_takes_is_too_much_for_a_check(case: Case) -> None:
    taken = 0
    for room in [*(bad["room"] for bad in case.bad), *case.good]:
        for number, extreme in product(NUMBER.finditer(room), ("1e9", "1e-9", "-1000", "0", "64")):
            with suppress(BadFiles):
                case.checked(room[: number.start()] + extreme + room[number.end() :])
                taken += 1
    assert taken or not any(NUMBER.search(room) for room in case.good)


def test_an_unknown_name_brings_the_one_that_was_meant() -> None:
    with pytest.raises(NotFound, match="did you mean `line-loss`"):
        named("line-los")
    with pytest.raises(NotFound, match="fleet check --list"):
        named("zzzz")
