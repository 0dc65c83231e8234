"""A guest in a room of simulated devices, played by hands at the boxes; and a deviation that is agreed afterwards."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from running import Running, a_room_of_three, eventually, without_power

from fleet.faces.cli.client import find

Json = dict[str, Any]

STUDIO = """\
format: 1
room: studio
curves: {plain: []}
house_curve: {curve: plain, slot: 5}
defaults: {level_db: -12, polarity: normal, mute: false}
positions:
  left:  {device: box-1}
  right: {device: box-2}
  rear:  {device: box-3}
"""
ALLOW = ("--allow", "half-room", "--allow", "rise", "--allow", "unmanaged")


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with a_room_of_three(tmp_path_factory.mktemp("studio"), "studio", STUDIO) as started:
        yield started


def asked(studio: Running, route: str, **body: Any) -> Json:
    """What the daemon answers without the second that a command takes to start."""
    daemon = find(studio.commands.home)
    return daemon.post(route, body) if body else daemon.get(route)


def session(studio: Running) -> Json:
    found: Json = asked(studio, "/guests")["sessions"][-1]
    return found


def notices(studio: Running) -> list[str]:
    return [n["words"] for n in asked(studio, "/notices")["notices"] if n["kind"] == "guest"][::-1]


def levels(studio: Running) -> list[str]:
    settings = {p["position"]: p["settings"] for p in asked(studio, "/rooms/studio")["positions"]}
    return [settings[name]["level_db"]["reported"] for name in ("left", "right", "rear")]


def test_what_a_guest_does_at_the_boxes_is_told_offered_and_put_back(studio: Running) -> None:
    commands = studio.commands
    begin = ("guest", "studio", "--who", "Visiting company", "--until", "2h", "--ceiling-db", "-10")
    began = commands.json(*begin)
    assert (began["state"], began["unread"]) == ("running", [])
    studio.simulators("panel", "box-1", "level", "-6")
    studio.simulators("panel", "box-2", "polarity", "inverted")
    (louder,) = eventually("the level above the ceiling is told", lambda: notices(studio))
    assert louder.startswith("left in studio is at -6 dB, above the ceiling of -10 dB for Visiting company")
    assert "--allow guest" in commands.run("apply", "studio", *ALLOW, "--yes", code=2).said

    with without_power(studio, "box-3", off_s=10):
        ended = asked(studio, "/rooms/studio/guest/end", who="ines")
        assert (ended["apart"], ended["away"]) == (["left", "right"], ["rear"])
        plan = find(commands.home).post("/rooms/studio/guest/put-back/plan", {})
        assert [(x["position"], x["unable"]) for x in plan["left_out"]] == [("rear", True)]
        allow = ["half-room", "rise", "unmanaged"]
        change = asked(studio, "/rooms/studio/guest/put-back", digest=plan["digest"], who="ines", allow=allow)
        eventually("it is put back", lambda: asked(studio, f"/changes/{change['id']}")["state"] == "kept")
        eventually("the offer waits for the box", lambda: session(studio)["apart"] == [])
        assert (session(studio)["state"], session(studio)["away"]) == ("to put back", ["rear"])
    eventually("the box that was off is as it was before", lambda: session(studio)["state"] == "closed")
    assert asked(studio, "/diff?room=studio")["same"]
    assert levels(studio) == ["-12 dB"] * 3
    assert notices(studio)[1:] == [
        "The guest session of Visiting company in studio has ended: 2 positions are not as before (left and right), "
        "and can be put back; rear could not be compared, since boxes are off, and can be put back once these are "
        "back.",
        "What was off after Visiting company in studio is back (rear), and all is as it was before.",
    ]


def test_a_session_ends_by_itself(studio: Running) -> None:
    until = (datetime.now(UTC) + timedelta(seconds=4)).isoformat()
    before = len(notices(studio))
    assert asked(studio, "/rooms/studio/guest", guest="A choir", until=until, who="ines")["state"] == "running"
    eventually("the session has ended", lambda: session(studio)["state"] == "closed")
    (words,) = notices(studio)[before:]
    assert words == "The guest session of A choir in studio has ended: all is as it was before."


def test_a_difference_that_is_agreed_stays_through_apply_and_recall_and_is_handed_over(
    studio: Running, tmp_path: Path
) -> None:
    commands = studio.commands
    studio.simulators("panel", "box-3", "level", "-18")
    eventually("the level is told", lambda: levels(studio)[2] == "-18 dB")
    until = (datetime.now(UTC) + timedelta(days=40)).date().isoformat()
    signed = ("--until", until, "--owner", "Ana", "--why", "rows behind are closed")
    commands.run("agree", "studio/rear", *signed, "--yes", code=0)
    (room,) = asked(studio, "/rooms")["rooms"]
    assert (room["words"], room["same"]) == (f"as it should be; 1 agreed deviation until {until}", True)
    studio.simulators("panel", "box-3", "polarity", "inverted")
    eventually("the polarity is told", lambda: asked(studio, "/diff?room=studio")["counts"]["serious"])
    recalled = commands.json("recall", "studio", *ALLOW, "--yes")
    assert any(note.startswith("rear: level stays -18 dB instead of -12 dB") for note in recalled["plan"]["notes"])
    assert levels(studio) == ["-12 dB", "-12 dB", "-18 dB"]
    commands.run("handover", "studio", "--out", str(tmp_path / "papers"), code=0)
    with (tmp_path / "papers" / "deviations.csv").open(encoding="utf-8-sig", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["position"], row["owner"], row["until"], row["differs_now"]) == ("rear", "Ana", until, "yes")

    studio.simulators("panel", "box-3", "level", "-30")
    eventually("what moved further differs again", lambda: asked(studio, "/diff?room=studio")["counts"]["serious"])
    commands.run("apply", "studio", "--also-agreed", *ALLOW, "--yes", code=0)
    asked(studio, "/deviations/end", room="studio", position="rear", who="ines")
    assert asked(studio, "/diff?room=studio")["same"]
