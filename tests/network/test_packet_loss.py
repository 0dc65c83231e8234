"""The whole job, as processes, while three TCP packets in ten are lost between everybody and the broker."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pytest

from tests.brokers import LOOPBACK, mosquitto_words
from tests.network.lossy_namespace import Namespace, namespace
from tests.network.venue import FOUND_DB, PATIENCE_S, REPOSITORY, WANTED_DB, boxes, desired, write_devices

T = TypeVar("T")
Json = dict[str, Any]

ROOMS = ("north", "south")
PORT = 1883
"""Nothing else listens in a namespace of our own."""
LOST_PERCENT = 30
LOSS_FOR_S = 15.0
"""The longest that the loss lasts. Whatever has not ended by then has been through it, and has to end after it."""


@dataclass(frozen=True)
class Site:
    """A broker, devices and a daemon inside a namespace, and commands that run there too."""

    inside: Namespace
    home: Path

    def fleet(self, *words: str) -> subprocess.Popen[str]:
        """A command, begun."""
        command = [sys.executable, "-m", "fleet.app", *words, "--json", "--home", str(self.home)]
        return subprocess.Popen(
            self.inside.words(*command),
            cwd=REPOSITORY,
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def ask(self, *words: str) -> Json:
        """What a command that must do its work printed."""
        code, document, said = end_of(self.fleet(*words))
        assert code in (0, 1), said
        return document

    def apply(self, room: str) -> subprocess.Popen[str]:
        """An apply of a room, begun."""
        return self.fleet("apply", room, "--yes", "--allow", "half-room", "--allow", "rise")

    def found(self) -> dict[str, dict[str, Json]]:
        """What the boxes of all rooms say of themselves, asked by raw MQTT."""
        words = self.inside.words(sys.executable, "-m", "tests.network.asking", str(PORT), *ROOMS)
        out = subprocess.run(words, cwd=REPOSITORY, check=True, stdout=subprocess.PIPE, timeout=PATIENCE_S).stdout
        found: dict[str, dict[str, Json]] = json.loads(out)
        return found


def environment() -> dict[str, str]:
    """This environment without what would change how `fleet` behaves."""
    return {name: value for name, value in os.environ.items() if not name.startswith("FLEET_")}


def end_of(command: subprocess.Popen[str]) -> tuple[int, Json, str]:
    """How a command ended: its code, its document where it printed one, and everything it said."""
    out, errors = command.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in out + errors, errors
    return command.returncode, json.loads(out) if out else {}, out + errors


def eventually(what: str, condition: Callable[[], T | None]) -> T:
    """The condition's first true value; fails with `what` where there is none in time."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not (value := condition()):
        assert time.monotonic() < deadline_s, f"waited {PATIENCE_S:g} s in vain: {what}"
        time.sleep(0.1)
    return value


@contextmanager
def process(words: list[str], log: Path) -> Iterator[None]:
    """A process until the end of the block, killed where it does not end when it is asked to."""
    with log.open("w", encoding="utf-8") as file:
        started = subprocess.Popen(words, cwd=REPOSITORY, env=environment(), stdout=file, stderr=file)
        try:
            yield
        finally:
            started.terminate()
            try:
                started.wait(20)
            except subprocess.TimeoutExpired:
                started.kill()
                started.wait()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    venue = write_devices(tmp_path / "venue", ROOMS)
    (venue / "rooms").mkdir()
    for name, text in desired(ROOMS, WANTED_DB).items():
        (venue / name).write_text(text, encoding="utf-8")
    home, broker = tmp_path / "home", f"{LOOPBACK}:{PORT}"
    simulators = ["simulators", "--venue", str(venue), "--broker", broker, "--processes", "1", "--no-announce"]
    daemon = ["fleet.app", "daemon", "--home", str(home), "--interface", LOOPBACK, "--venue", str(venue)]
    with ExitStack() as stack:
        inside = stack.enter_context(namespace())
        for name, words in (
            ("broker", mosquitto_words(tmp_path, PORT)),
            ("simulators", [sys.executable, "-m", *simulators]),
            ("daemon", [sys.executable, "-m", *daemon, "--broker", f"mqtt://{broker}"]),
        ):
            stack.enter_context(process(inside.words(*words), tmp_path / f"{name}.log"))
        site = Site(inside, home)
        eventually("the daemon tells its address", (home / "daemon.json").is_file)
        eventually("every box is found", lambda: site.ask("devices")["counts"]["bound"] == len(ROOMS) * 3)
        yield site


def judged(room: str, code: int, change: Json, said: str, found: dict[str, Json]) -> str:
    """How an apply ended, in a word that is true of its boxes."""
    word = str(change.get("state", "refused"))
    assert (code == 0) == (word == "kept"), said
    odd = {one["device"] for one in change.get("devices", ()) if one["word"] == "needs a person"}
    if code:
        assert any(box in said for box in boxes(room)), f"nobody is named: {said}"
        print(f"{room}: {word}: {change.get('culprits', said)}")
    levels_db = {one["level_db"] for box, one in found.items() if box not in odd}
    assert levels_db <= {WANTED_DB if word == "kept" else FOUND_DB}, f"{room} is {word}, but its boxes are {found}"
    assert bool(odd) == (word == "needs a person"), said
    return word


def test_changes_under_heavy_loss_end_whole_and_the_next_ones_are_kept(site: Site) -> None:
    site.inside.lose(LOST_PERCENT, PORT)
    commands = {room: site.apply(room) for room in ROOMS}
    deadline_s = time.monotonic() + LOSS_FOR_S
    while time.monotonic() < deadline_s and any(command.poll() is None for command in commands.values()):
        time.sleep(0.1)
    in_time = sum(command.poll() is not None for command in commands.values())
    lost = site.inside.lose_nothing()
    results = {room: end_of(command) for room, command in commands.items()}

    def settled() -> dict[str, dict[str, Json]] | None:
        found = site.found()
        return None if any(one["change"] for room in found.values() for one in room.values()) else found

    found = eventually("no change is open", settled)
    words = {room: judged(room, *results[room], found[room]) for room in ROOMS}
    print(f"{len(words)} changes, {in_time} ended before the loss did, {lost} packets lost: {Counter(words.values())}")
    assert lost > 10

    eventually("every box is there", lambda: site.ask("devices")["counts"]["bound"] == len(ROOMS) * 3)
    for room in ROOMS:
        if words[room] != "kept":
            code, change, said = end_of(site.apply(room))
            assert (code, change.get("state")) == (0, "kept"), said
        assert site.ask("diff", room)["same"] is True
    levels_db = {one["level_db"] for room in site.found().values() for one in room.values()}
    assert levels_db == {WANTED_DB}
