"""`fleet guest`, `fleet hold` and `fleet release` as a person uses them."""

from __future__ import annotations

import json

import pytest

from fleet.errors import Refused
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.services.walk_beginning import AskedWalk
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden

BEGIN = ("guest", "foyer", "--who", "Visiting company", "--until", "23:30", "--ceiling-db", "-4", "--why", "gala")


def turned(daemon: RunningDaemon, device: str, level_db: float) -> None:
    box = daemon.driver.devices[device]
    box.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(box.live)
    daemon.touched(device)


def test_a_guest_comes_leaves_and_the_room_is_put_back(daemon: RunningDaemon, fleet: CommandLine) -> None:
    before = {name: box.live for name, box in daemon.driver.devices.items()}
    wrong = [
        *golden("guest-none", fleet("guest"), "guest"),
        *golden("guest", fleet(*BEGIN), *BEGIN),
        *golden("guest-again", fleet(*BEGIN), *BEGIN),
        *golden("guest-rooms", fleet("rooms"), "rooms"),
    ]
    turned(daemon, "box-4", -9.0)
    wrong += [
        *golden("guest-list", fleet("guest"), "guest"),
        *golden("guest-end", fleet("guest", "foyer", "--end"), "guest", "foyer", "--end"),
        *golden(
            "guest-plan", fleet("guest", "foyer", "--put-back", "--plan"), "guest", "foyer", "--put-back", "--plan"
        ),
    ]
    said = fleet("guest", "foyer", "--put-back", "--yes")
    wrong += golden("guest-put-back", said, "guest", "foyer", "--put-back", "--yes")
    assert not wrong, "\n".join(wrong)
    assert {name: box.live for name, box in daemon.driver.devices.items()} == before
    daemon.do(daemon.services.guests.tick())
    (session,) = json.loads(fleet("guest", "--json").out)["sessions"]
    assert (session["state"], session["guest"], session["ceiling_db"]) == ("closed", "Visiting company", -4.0)


def test_a_change_in_a_room_with_a_guest_is_asked_for_by_name(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet(*BEGIN[:6]).code == 0
    said = fleet("apply", "foyer", "--allow", "half-room", "--yes")
    assert said.code == 2
    assert "foyer has a guest: Visiting company, until 2031-05-17 23:30 CEST" in " ".join(said.out.split())
    assert "--allow guest" in said.err
    assert fleet("apply", "foyer", "--allow", "half-room", "--allow", "guest", "--yes").code == 0


def test_no_walk_begins_where_there_is_a_guest(daemon: RunningDaemon, fleet: CommandLine) -> None:
    fleet(*BEGIN[:6])
    with pytest.raises(Refused, match="Visiting company is the guest in foyer"):
        daemon.do(daemon.services.walking.begin(AskedWalk(room="foyer"), "ines"))


REFUSED = (
    (("foyer", "--who", "Visiting company"), "Give --who and --until"),
    (("foyer",), "Give --who and --until"),
    (("--end",), "no room was given"),
    (("foyer", "--end", "--put-back"), "only one of"),
    (("foyer", "--end"), "foyer has no guest"),
    (("foyer", "--put-back"), "foyer has no guest"),
    (("attic", "--who", "V", "--until", "2h"), "no room 'attic'"),
    (("foyer", "--who", "V", "--until", "soon"), "--until: 'soon' is no time"),
    (("foyer", "--who", "V", "--until", "2h", "--ceiling-db", "60"), "60 dB is no ceiling"),
)


def test_what_is_refused_is_said_in_words(daemon: RunningDaemon, fleet: CommandLine) -> None:
    for arguments, words in REFUSED:
        said = fleet("guest", *arguments)
        assert (said.code, words in said.err) == (2, True), said
    assert fleet("guest").out == "no guest sessions\n"


def test_a_hold_says_whose_it_is_and_until_when_on_the_venue_s_clock(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fleet("hold", "foyer", "--until", "23:30", "--why", "gala").out == (
        "foyer is on hold until 2031-05-17 23:30 CEST\n"
    )
    assert "on hold by ines until 2031-05-17 23:30 CEST" in " ".join(fleet("rooms").out.split())
    assert fleet("release", "foyer").out == "foyer is released\n"
    fleet("hold", "foyer", "--until", "23:30", "--why", "gala")
    monkeypatch.setenv("LOGNAME", "ben")
    assert fleet("release", "foyer").out == "foyer is released; ines held it until 2031-05-17 23:30 CEST: gala\n"
