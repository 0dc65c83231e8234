"""The house curve at the command line: store, recall, what is offered afterwards, earlier moments, history."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDevice
from fleet.model.description import PowerUp
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.services.bringing import Bringing, Reason
from fleet.services.guest_book import GuestBook
from fleet.services.in_use import InUse
from fleet.services.recalling import ModeRecaller
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said, a_daemon, golden
from tests.services.small_venue import FILES, FLAT, HALL, box

Json = dict[str, Any]
LIFT = ("--allow", "rise", "--allow", "half-room", "--allow", "unmanaged", "--yes")
BY_HAND = SlotContents(slot=5, name="by hand", outputs={1: replace(FLAT, level_db=-20.0)})


def document(said: Said, code: int = 0) -> Json:
    assert said.code == code, said
    found: Json = json.loads(said.out)
    return found


def overwritten(daemon: RunningDaemon, device: str) -> None:
    """A hand at the panel stores something else, and the box is in that slot."""
    one = daemon.driver.devices[device]
    one.slots[5], one.active_slot = BY_HAND, 5
    one.live = DeviceSettings(outputs=BY_HAND.outputs or {}).over(one.live)
    daemon.touched(device)


@pytest.fixture
def stored(daemon: RunningDaemon, fleet: CommandLine) -> RunningDaemon:
    """A daemon whose hall is stored and recalled."""
    assert fleet("store", "weir-hall", *LIFT).code == 0
    assert fleet("recall", "weir-hall", *LIFT).code == 0
    return daemon


# store


def test_a_store_says_at_its_end_what_could_not_be_verified_and_which_boxes_come_back_wrong(
    home: Path, fleet: CommandLine
) -> None:
    boxes = [box(f"box-{n}") for n in (1, 2, 3, 4, 5, 9)]
    described = replace(boxes[2].description, power_up=PowerUp(behaviour="default_slot", slot=1))
    boxes[2].description = described
    with a_daemon(home, boxes):
        said = fleet("store", "weir-hall", "--yes")
        assert golden("store", said, "store", "weir-hall", "--yes") == []
        afterwards = said.out[said.out.index("): kept") :]
        assert "slot 5 of box-1 could not be verified" in " ".join(afterwards.split())
        assert "after a power cut fill (box-3) comes back in slot 1" in " ".join(afterwards.split())


def test_a_store_of_several_positions_leaves_the_others(daemon: RunningDaemon, fleet: CommandLine) -> None:
    made = document(fleet("store", "weir-hall", "--position", "fill", "--yes", "--json"))
    assert [d["device"] for d in made["plan"]["devices"]] == ["box-3"]
    both = fleet("store", "weir-hall", "--position", "fill", "--position", "main-left", "--plan", "--json")
    assert [d["device"] for d in document(both, 1)["devices"]] == ["box-1", "box-2", "box-3"]
    assert daemon.driver.devices["box-4"].slots[5].name == "slot 5"


def test_a_store_too_soon_is_refused_with_device_and_time(home: Path, fleet: CommandLine) -> None:
    boxes = [box(f"box-{n}") for n in (1, 2, 3, 4, 5, 9)]
    slots = replace(boxes[2].description.slots, store_interval_s=3600)
    boxes[2].description = replace(boxes[2].description, slots=slots)
    with a_daemon(home, boxes) as daemon:
        assert fleet("store", "weir-hall", "--position", "fill", "--yes").code == 0
        overwritten(daemon, "box-3")
        said = fleet("store", "weir-hall", "--position", "fill", "--yes")
        assert said.code == 2
        assert "box-3 were written at 14:00:00 and may be again from 15:00:00 on" in said.err
        assert daemon.driver.devices["box-3"].slots[5] == BY_HAND


# recall


def test_a_recall_ends_with_the_offer_to_store_again(stored: RunningDaemon, fleet: CommandLine) -> None:
    overwritten(stored, "box-3")
    said = fleet("recall", "weir-hall", *LIFT)
    assert golden("recall-offers", said, "recall", "weir-hall", *LIFT) == []
    assert "`fleet store weir-hall --group fills` stores it again" in " ".join(said.out.split())
    assert stored.driver.devices["box-3"].live.outputs[1].level_db == -12.0
    assert stored.driver.devices["box-3"].slots[5] == BY_HAND


def test_a_slot_that_could_not_be_read_before_is_offered_too(stored: RunningDaemon, fleet: CommandLine) -> None:
    overwritten(stored, "box-3")
    stored.driver.devices["box-3"].active_slot = 4
    stored.touched("box-3")
    made = document(fleet("recall", "weir-hall", *LIFT, "--json"))
    assert made["plan"]["store_again"] == []
    assert (made["store_again"], made["stored_again"]) == (["weir-hall/fill"], None)
    assert "fleet store weir-hall --group fills" in made["offers"][0]


def test_with_store_again_it_is_done_in_the_same_go_as_a_second_change(
    stored: RunningDaemon, fleet: CommandLine
) -> None:
    overwritten(stored, "box-3")
    said = fleet("recall", "weir-hall", "--store-again", *LIFT)
    assert said.code == 0
    assert said.out.count("): kept") == 2
    held = stored.driver.devices["box-3"].slots[5].outputs
    assert held is not None
    assert held[1].level_db == -12.0
    kinds = [c["kind"] for c in document(fleet("changes", "--json"))["changes"]]
    assert kinds[:2] == ["store", "recall"]
    again = document(fleet("recall", "weir-hall", "--store-again", *LIFT, "--json"))
    assert (again["store_again"], again["stored_again"]) == ([], None)


def test_a_store_again_that_is_refused_says_so_and_the_recall_stays(home: Path, fleet: CommandLine) -> None:
    boxes = [box(f"box-{n}") for n in (1, 2, 3, 4, 5, 9)]
    slots = replace(boxes[2].description.slots, store_interval_s=3600)
    boxes[2].description = replace(boxes[2].description, slots=slots)
    with a_daemon(home, boxes) as daemon:
        assert fleet("store", "weir-hall", "--yes").code == 0
        overwritten(daemon, "box-3")
        said = fleet("recall", "weir-hall", "--store-again", *LIFT)
        assert said.code == 2
        assert "store-too-soon" in said.err
        assert daemon.driver.devices["box-3"].live.outputs[1].level_db == -12.0


@pytest.mark.parametrize("more", [("--keep-within", "2m"), ("--as-of", "2031-05-17")])
def test_storing_again_does_not_go_with_what_is_not_to_last(
    daemon: RunningDaemon, fleet: CommandLine, more: tuple[str, ...]
) -> None:
    said = fleet("recall", "weir-hall", "--store-again", *more, "--yes")
    assert said.code == 2
    assert "--store-again" in said.err
    assert daemon.driver.devices["box-1"].active_slot == 1


# an amplifier that serves two rooms


BAR = """\
format: 1
room: {0}
name: {0}
house_curve: {{curve: flat, slot: 5}}
curves: {{flat: []}}
positions: {{line: {{device: amp-1, output: {1}, level_db: -8}}}}
"""
TWO_BARS = {
    "venue.yaml": FILES["venue.yaml"],
    "rooms/bar.yaml": BAR.format("bar", 1),
    "rooms/terrace.yaml": BAR.format("terrace", 2),
}
SOFT_BAR = {**TWO_BARS, "rooms/bar.yaml": BAR.format("bar", 1) + "modes: {soft: {defaults: {delay_ms: 5}}}\n"}


@pytest.fixture
def amplifier(home: Path) -> Iterator[tuple[RunningDaemon, MemoryDevice]]:
    """Two bars on one amplifier, each with its output."""
    plain = box("amp-1")
    outputs = tuple(replace(plain.description.outputs[0], output=n) for n in (1, 2))
    amp = replace(plain, description=replace(plain.description, outputs=outputs))
    amp.live = replace(amp.live, outputs={1: FLAT, 2: FLAT})
    amp.slots = {n: replace(s, outputs={1: FLAT, 2: FLAT}) for n, s in amp.slots.items()}
    with a_daemon(home, [amp], loaded=False) as daemon:
        daemon.do(daemon.services.desired.load(TWO_BARS, "ines"))
        yield daemon, amp


def test_a_recall_of_a_room_that_shares_an_amplifier_needs_the_other_named(
    amplifier: tuple[RunningDaemon, MemoryDevice], fleet: CommandLine
) -> None:
    _, amp = amplifier
    said = fleet("recall", "bar", *LIFT)
    assert said.code == 2
    assert "a recall of amp-1 touches terrace too; name that room as well (--also terrace)" in " ".join(
        said.out.split()
    )
    assert "shared-device" in said.err
    assert amp.active_slot == 1
    assert fleet("recall", "bar", "--also", "terrace", "--allow", "live-click", *LIFT).code == 0
    assert (amp.active_slot, amp.live.outputs[1].level_db, amp.live.outputs[2].level_db) == (5, -8.0, -6.0)


def test_in_the_active_slot_a_shared_amplifier_is_set_and_the_other_room_hears_nothing(
    amplifier: tuple[RunningDaemon, MemoryDevice], fleet: CommandLine
) -> None:
    """So a schedule or a contact can bring a room back that shares an amplifier."""
    daemon, amp = amplifier
    assert fleet("recall", "bar", "--also", "terrace", "--allow", "live-click", *LIFT).code == 0
    amp.live = replace(amp.live, outputs={**amp.live.outputs, 1: replace(amp.live.outputs[1], level_db=-20.0)})
    daemon.touched("amp-1")
    done = document(fleet("recall", "bar", "--json", *LIFT))
    assert {step["phase"] for step in done["plan"]["devices"][0]["steps"]}.isdisjoint({"recall"})
    assert (amp.active_slot, amp.live.outputs[1].level_db, amp.live.outputs[2].level_db) == (5, -8.0, -6.0)


def test_who_is_told_that_a_contact_could_not_reach_over_gets_the_command_that_can(
    amplifier: tuple[RunningDaemon, MemoryDevice],
) -> None:
    daemon, _ = amplifier
    bringing = Bringing(
        store=daemon.services.store,
        desired=daemon.services.desired,
        notices=daemon.services.notices,
        in_use=InUse(
            desired=daemon.services.desired,
            holds=daemon.services.holds,
            guest_book=GuestBook(daemon.services.store, daemon.services.clock),
            walking=daemon.services.walking,
            changes=daemon.services.changes,
        ),
        recaller=ModeRecaller(daemon.services.changes),
        clock=daemon.services.clock,
    )
    daemon.do(daemon.services.desired.load(SOFT_BAR, "ines"))
    (bundle,) = bringing.bundles({"bar": "soft"})
    reason = Reason(kind="contact", who="contact wall", why="wall says soft", words="by the contact wall")
    daemon.do(bringing.bring(bundle, reason))
    (notice,) = daemon.do(daemon.services.notices.recent())
    assert "shared-device" in notice.words
    assert notice.way_out == "fleet recall bar --mode soft --also terrace"


# earlier moments and history


def test_a_recall_as_of_a_snapshot_says_where_it_comes_from_and_how_it_lasts(
    daemon: RunningDaemon, fleet: CommandLine
) -> None:
    taken = document(fleet("snapshot", "take", "--json"))["id"]
    assert fleet("apply", "weir-hall", *LIFT).code == 0
    said = fleet("recall", "weir-hall", "--as-of", taken, *LIFT)
    assert golden("recall-as-of", said, "recall", "weir-hall", "--as-of", taken, *LIFT) == []
    assert daemon.driver.devices["box-1"].live.outputs[1].eq == ()


def test_a_date_before_the_first_version_is_refused_with_the_first_date(
    daemon: RunningDaemon, fleet: CommandLine
) -> None:
    said = fleet("recall", "weir-hall", "--as-of", "2031-05-01", "--yes")
    assert said.code == 2
    assert "in force before 2031-05-17 14:00 CEST" in said.err
    assert daemon.driver.devices["box-1"].active_slot == 1


def test_the_history_of_a_room(stored: RunningDaemon, fleet: CommandLine) -> None:
    quieter = {**FILES, "rooms/weir-hall.yaml": HALL.replace("level_db: -12", "level_db: -14")}
    stored.do(stored.services.desired.load(quieter, "otto"))
    said = fleet("history", "weir-hall")
    assert golden("history", said, "history", "weir-hall") == []
    told = document(fleet("history", "weir-hall", "--limit", "1", "--json"))
    assert (told["format"], told["more"]) == ("fleet-history/1", True)
    assert [(v["version"], v["who"]) for v in told["versions"]] == [(2, "otto")]
    assert told["versions"][0]["changes"] == [{"position": "fill", "words": "2 dB quieter than wanted"}]
    assert [told[word]["kind"] for word in ("stored", "recalled")] == ["store", "recall"]
    assert fleet("history", "attic").code == 2
