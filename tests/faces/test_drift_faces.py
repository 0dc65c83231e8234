"""What people read of the drift watch: rooms in a sentence, positions of a room, the metrics, the API's document."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace

import pytest

from fleet.drivers.protocol import LinkDown
from tests.faces.daemon_in_process import CommandLine, RunningDaemon
from tests.services.small_venue import until


@pytest.fixture
def right(daemon: RunningDaemon, fleet: CommandLine) -> RunningDaemon:
    """A daemon with a room that is as it should be."""
    assert fleet("apply", "foyer", "--yes", "--allow", "rise", "--allow", "half-room").code == 0

    async def looked_at() -> bool:
        return "foyer" in daemon.services.watching._looks.looked_at

    daemon.do(until(looked_at))
    daemon.services.watching._ours._ours.clear()  # the clock of this daemon stands still
    return daemon


def pressed(daemon: RunningDaemon, device: str) -> None:
    """Somebody turned a box down, and the watch has seen it."""
    box = daemon.driver.devices[device]
    box.live = replace(box.live, outputs={1: replace(box.live.outputs[1], level_db=-30.0)})
    daemon.touched(device)

    async def seen() -> bool:
        return any(e.device == device for e in daemon.services.watching.episodes())

    daemon.do(until(seen))


def test_a_room_that_drifted_says_since_when_and_why(right: RunningDaemon, fleet: CommandLine) -> None:
    assert "foyer      2          as it should be" in fleet("rooms").out
    pressed(right, "box-4")
    (foyer, _hall) = json.loads(fleet("rooms", "--json").out)["rooms"]
    cause = foyer["drift"][0]["cause"]
    assert cause.startswith("edited (level) ")
    assert foyer["words"] == f"1 position differs (1 seriously) since 14:00: {cause}"
    assert foyer["since"] == "2031-05-17T12:00:00Z"
    assert [e["positions"] for e in foyer["drift"]] == [["foyer/desk"]]
    room = fleet("room", "foyer").out
    assert "BY ITSELF" in room
    assert "since 14:00: 20 dB quieter than wanted" in " ".join(room.split())


def test_a_missing_device_is_said_with_when_it_was_last_seen(right: RunningDaemon, fleet: CommandLine) -> None:
    right.driver.devices["box-5"].online = False
    right.touched("box-5")
    assert "1 position could not be checked: last seen 14:00" in fleet("rooms").out
    assert "box-5 is missing; last seen 14:00" in fleet("room", "foyer").out
    (away,) = json.loads(fleet("diff", "foyer", "--json").out)["not_checked"]
    assert (away["words"], away["last_seen"]) == ("box-5 is missing; last seen 14:00", "2031-05-17T12:00:00Z")


def test_nothing_is_known_of_any_room_while_the_link_is_down(right: RunningDaemon, fleet: CommandLine) -> None:
    async def lose() -> None:
        right.services.inventory.hear(LinkDown(why="connection refused"))
        await asyncio.sleep(0)

    right.do(lose())
    said = fleet("rooms")
    assert said.code == 1
    assert said.out.count("not known since 14:00: connection refused") == 2
