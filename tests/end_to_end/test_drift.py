"""The drift watch over simulated devices: a press is shown and told, a box settles, our own change is no drift."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from running import Running, eventually, running

from simulators import control
from simulators.gestures import gesture

Json = dict[str, Any]

HALL = """\
format: 1
room: hall
name: The Hall
defaults: {level_db: -12, polarity: normal, mute: false}
positions:
  left:  {device: box-1}
  right: {device: box-2}
"""


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("hall")
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text("format: 1\nname: The Test Hall\ntime_zone: Europe/London\n", encoding="utf-8")
    (venue / "rooms" / "hall.yaml").write_text(HALL, encoding="utf-8")
    devices = [
        f"  - {{id: box-{number}, model: Fennbeck 12, serial: FB12-00{number}, firmware: 2.3.1,"
        f" mac: '02:00:5e:02:00:0{number}', outputs: {{1: {{level_db: -15}}}}}}\n"
        for number in (1, 2)
    ]
    (venue / "devices.yaml").write_text(f"format: 1\ndevices:\n{''.join(devices)}", encoding="utf-8")
    with running(folder, devices=venue, venue=venue) as started:
        yield started


def asked(hall: Running, path: str, form: str, **query: str) -> Json:
    """A document of the daemon's API, asked for without a command, which takes its time to start."""
    url = json.loads((hall.commands.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    token = (hall.commands.home / "token").read_text(encoding="utf-8")
    answer = httpx.get(f"{url}/v1/{path}", params=query, headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200, answer.text
    document: Json = answer.json()
    assert document["format"] == form
    return document


def episodes(hall: Running) -> list[Json]:
    """What the daemon shows as begun by itself."""
    found: list[Json] = asked(hall, "drift", "fleet-drift/1")["episodes"]
    return found


def press(hall: Running, device: str, *words: str) -> float:
    """Do something at a device's panel; the moment just before."""
    before = time.monotonic()
    asyncio.run(control.press(hall.state, device, gesture(words[0], words[1:], None)))
    return before


def notices(hall: Running, kind: str) -> list[str]:
    """The notices of a kind, the last one first, in words."""
    return [n["words"] for n in asked(hall, "notices", "fleet-notices/1", kind=kind)["notices"]]


def room(hall: Running) -> str:
    """The room in a sentence."""
    (found,) = asked(hall, "rooms", "fleet-rooms/1")["rooms"]
    return str(found["words"])


def test_what_stood_and_what_we_change_is_no_drift(hall: Running) -> None:
    assert room(hall) == "2 positions differ", "nobody knows since when"
    hall.commands.run("apply", "hall", "--yes", "--allow", "rise", "--allow", "half-room", code=0)
    assert room(hall) == "as it should be"
    time.sleep(2)  # longer than the watch takes our own hands for ours
    assert episodes(hall) == []
    assert notices(hall, "drift") == []


def test_a_press_at_the_panel_is_shown_and_told_until_it_is_put_right(hall: Running) -> None:
    pressed = press(hall, "box-1", "recall", "2")
    (episode,) = eventually("the press is shown", lambda: episodes(hall))
    print(f"shown {1000 * (time.monotonic() - pressed):.0f} ms after the press")  # measured, not asserted
    assert (episode["kind"], episode["positions"], episode["grade"]) == ("drift", ["hall/left"], "serious")
    assert episode["cause"] == "recalled slot 2 at its panel"
    (told,) = eventually("it is told", lambda: notices(hall, "drift"))
    assert told.startswith("hall: left differs since ")
    assert "probable cause: recalled slot 2 at its panel" in told
    sentence = room(hall)
    assert sentence.startswith("1 position differs (1 seriously) since ")
    assert sentence.endswith(": recalled slot 2 at its panel")
    hall.commands.run("apply", "hall", "--yes", "--allow", "rise", code=0)
    (over,) = eventually("that it is over is told", lambda: notices(hall, "drift over"))
    assert over == "hall: left as desired again, by a change"
    assert episodes(hall) == []


def test_after_a_power_cut_what_remains_is_told_once_it_has_settled(hall: Running) -> None:
    press(hall, "box-2", "polarity", "inverted")
    eventually("the press is shown", lambda: episodes(hall))
    asyncio.run(control.power_cut(hall.state, ["box-2"], 0.5))
    assert notices(hall, "missing") == [], "a restart is quick"
    (episode,) = episodes(hall)
    press(hall, "box-2", "polarity", "normal")
    time.sleep(1)
    assert episodes(hall) == [episode], "nothing is judged of a box that settles"
