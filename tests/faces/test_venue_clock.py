"""Every time that a person reads or types is one of the venue's clock, wherever the machine stands.

The venue is 5:45 ahead of UTC, the machine 2:30 behind: at 20:00 UTC it is 01:45 of the next day at the venue, and
17:30 where the command runs.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import typer.main

from fleet.faces.cli.clock import NO_VENUE, Clock
from fleet.faces.cli.main import build_cli
from fleet.faces.cli.options import TROUBLE
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said, a_daemon
from tests.services.small_venue import FILES, FOYER, box, boxes

NOW = datetime(2031, 5, 17, 20, 0, 0, tzinfo=UTC)
VENUE = "format: 1\nname: Harbour House\ntime_zone: Asia/Kathmandu\n"
FILES_THERE = {
    **FILES,
    "venue.yaml": VENUE,
    "rooms/foyer.yaml": FOYER.replace("box-4, level_db: -10", "box-4, level_db: {between: [-20, -4]}"),
}
ELSEWHERE = re.compile(
    r"\bUTC\b|\d\d:\d\d(:\d\d)?(\.\d+)?(Z\b|\+00:00)|2031-05-17|\b(20:0\d|20:10|17:3\d|17:40)(:\d\d)?\b"
)
"""What a time looks like that is UTC's or the machine's: of now, and up to ten minutes later, when a trial ends."""
IN_UTC = {
    "snapshot verify": "whoever verifies a file has nothing but the file",
    "access certificate": "needs no daemon, so that no venue is known",
    "restore": "the daemon of the archive does not run yet",
}
"""Commands that say a time in UTC, and name it."""
NO_TIMES = {
    *("daemon", "demo", "watch"),  # do not end by themselves; tests of their own
    *("sign-in", "sign-out"),  # for another machine; tests of their own
    *("calc delay", "calc level", "calc line", "calc coverage", "calc eq", "calc exposure"),
    "import",
}

REFUSED = [
    *("apply foyer", "apply foyer"),  # on hold, and with a guest
    *("cancel CHANGE", "apply weir-hall", "recall weir-hall", "bind fill", "swap fill", "unbind desk", "self-check"),
]
"""What is not done, and tells why."""


def leaves(command: Any, path: tuple[str, ...] = ()) -> Iterator[str]:
    """Every command that does something, as it is typed after `fleet`."""
    below = getattr(command, "commands", {})
    for name, sub in below.items():
        yield from leaves(sub, (*path, name))
    if not below:
        yield " ".join(path)


@pytest.fixture
def far_away(home: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[RunningDaemon]:
    """A daemon of that venue on that machine, with a dead box, and another that somebody turned up at its panel."""
    monkeypatch.setenv("TZ", "America/St_Johns")
    time.tzset()
    with a_daemon(home, [*boxes(), box("box-7"), box("box-8")], loaded=False, now=NOW) as running:
        running.do(running.services.desired.load(FILES_THERE, "ines"))
        running.driver.devices["box-3"].online = False
        running.touched("box-3")
        line = {"number": 1, "time": "2031-05-17T20:00:00.000Z", "level": "info", "logger": "fleet", "message": "hello"}
        (home / "log.jsonl").write_text(json.dumps(line) + "\n", encoding="utf-8")
        yield running
    monkeypatch.undo()
    time.tzset()


def everything(folder: Path) -> Iterator[tuple[str, ...]]:
    """What is typed, in an order in which a venue may see it."""
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    for name, text in FILES_THERE.items():
        (venue / name).write_text(text, encoding="utf-8")
    answers = folder / "answers.yaml"
    answers.write_text("format: 1\npositions:\n  desk: {place: yes, source: yes, sound: no, polarity: yes}\n")
    allowed = ("--allow", "half-room", "--allow", "rise", "--allow", "live-click", "--allow", "unmanaged")
    yield from (("load", str(venue)), ("rooms",), ("room", "weir-hall"), ("check",), ("diff", "--all"))
    yield from (("devices",), ("devices", "box-3"), ("accept", "box-4"), ("identify", "box-4"), ("notices",))
    yield ("hold", "foyer", "--until", "03:20", "--why", "talk")
    yield from (("rooms",), ("apply", "foyer", "--yes", *allowed), ("release", "foyer"))
    yield ("guest", "foyer", "--who", "Visiting company", "--until", "2031-05-18T03:20", "--ceiling-db", "-4")
    yield from (("guest",), ("rooms",), ("apply", "foyer", "--yes", *allowed), ("guest", "foyer", "--end"))
    yield ("agree", "weir-hall/main-left", "--until", "2031-06-30", "--owner", "Ana", "--why", "closed", "--yes")
    yield from (("agree",), ("agree", "weir-hall/main-left", "--end"), ("agree",))
    yield ("apply", "weir-hall", "--without", "fill", "--yes", "--keep-within", "10m", "--why", "first night", *allowed)
    yield from (("changes",), ("changes", "CHANGE"), ("keep", "CHANGE"), ("changes", "CHANGE"), ("cancel", "CHANGE"))
    yield from (("rollback", "CHANGE", "--plan"), ("devices", "box-1"))
    yield ("apply", "weir-hall", "--yes", *allowed)
    yield ("store", "weir-hall", "--without", "fill", "--yes", *allowed)
    yield ("recall", "weir-hall", "--yes", *allowed)
    yield from (("recall", "weir-hall", "--as-of", "2031-05-18T01:45", "--plan"), ("history", "weir-hall"))
    yield ("recall", "weir-hall", "--as-of", "2031-05-18T01:44", "--plan")
    yield from (("level", "foyer", "+1", "--until", "03:20", "--yes"), ("level", "foyer"), ("room", "foyer"))
    yield from (("mute", "foyer"), ("rooms",), ("unmute", "foyer", "--yes"), ("restart", "foyer", "--plan"))
    yield from (
        ("snapshot", "take", "--note", "spring"),
        ("snapshot", "show", "--all"),
        ("snapshot", "show", "SNAPSHOT"),
    )
    yield ("snapshot", "witness", "SNAPSHOT", "--name", "Jo Marsh", "--note", "on paper")
    yield ("snapshot", "export", "SNAPSHOT", "--out", str(folder / "one.json"))
    yield from (("snapshot", "verify", str(folder / "one.json")), ("snapshot", "key"))
    yield ("snapshot", "compare", "SNAPSHOT", "SNAPSHOT")
    yield ("handover", "weir-hall", "--out", str(folder / "handover"))
    yield from (
        ("swap", "fill", "box-7", "--yes"),
        ("swap",),
        ("devices",),
        ("devices", "box-3"),
        ("bind", "fill", "box-3"),
    )
    yield from (("swap", "fill", "box-3", "--yes"), ("unbind", "desk"), ("bind", "desk", "box-4"))
    yield ("walk", "foyer", "--answers", str(answers), "--as-baseline", "--yes")
    answers.write_text("format: 1\npositions:\n  desk: {place: yes, source: yes, sound: yes, polarity: yes}\n")
    yield from (
        ("walk", "foyer", "--answers", str(answers), "--yes"),
        ("walk", "--list"),
        ("walk", "--show", "WALK"),
    )
    yield from (
        ("capture", "foyer", "--devices", "box-4", "--into", "rooms/foyer.yaml", "--plan"),
        ("capture", "attic", "--devices", "box-8", "--plan"),
    )
    yield from (("files",), ("labels", "foyer", "--out", str(folder / "labels.html")))
    yield from (("access", "make", "ana", "--role", "auditor", "--expires", "90d"), ("access", "list"))
    yield ("access", "tablet", "wall", "--rooms", "foyer", "--out", str(folder / "wall.html"))
    yield from (("access", "revoke", "TOKEN"), ("access", "certificate", "--for", "fleet.example"), ("take-over",))
    yield from (("audit", "show", "--since", "2031-05-18T01:45"), ("audit", "verify"), ("log",), ("config",))
    yield ("audit", "export", str(folder / "log.json"))
    yield from (("self-check",), ("backup", str(folder / "all.tar.gz")))
    yield ("restore", str(folder / "all.tar.gz"), "--home", str(folder / "new"))


def ran(fleet: CommandLine, folder: Path) -> Iterator[tuple[tuple[str, ...], Said]]:
    """Everything that is typed, with what was said."""
    for typed in everything(folder):
        yield typed, fleet(*(_named(fleet, word) for word in typed))


def _named(fleet: CommandLine, word: str) -> str:
    match word:
        case "SNAPSHOT":
            return str(json.loads(fleet("snapshot", "show", "--json").out)["snapshots"][0]["id"])
        case "CHANGE":
            return str(json.loads(fleet("changes", "--json").out)["changes"][0]["id"])
        case "WALK":
            return str(json.loads(fleet("walk", "--list", "--json").out)["walks"][0]["id"])
        case "TOKEN":
            return str(json.loads(fleet("access", "list", "--json").out)["tokens"][0]["id"])
        case _:
            return word


def told(command: str, text: str) -> list[str]:
    """Lines with a time that is not one of the venue's clock."""
    return [f"{command}: {line}" for line in text.splitlines() if ELSEWHERE.search(line)]


def test_no_command_says_a_time_of_another_clock(far_away: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    commands = set(leaves(typer.main.get_command(build_cli(lambda _: None))))
    run: set[str] = set()
    wrong: list[str] = []
    said_there: list[str] = []
    refused: list[str] = []
    for typed, said in ran(fleet, tmp_path):
        command = " ".join(typed[:2]) if " ".join(typed[:2]) in commands else typed[0]
        run.add(command)
        refused += [" ".join(typed[:2])] if said.code == TROUBLE else []
        text = f"{said.out}\n{said.err}"
        assert "a fault of this program" not in text
        said_there += [command] if re.search(r"2031-05-18|\b01:45\b", text) else []
        if command not in IN_UTC:
            wrong += told(command, text)
    for file in (tmp_path / "handover").rglob("*"):
        if file.suffix in {".html", ".csv"}:
            wrong += told(
                file.name, re.sub(r"<style>.*?</style>", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
            )
    wrong += told("wall.html", (tmp_path / "wall.html").read_text(encoding="utf-8"))
    assert wrong == []
    assert refused == REFUSED
    assert commands - run == NO_TIMES, "a new command goes into `everything`"
    for command in ("changes", "snapshot show", "devices", "history", "audit show", "swap", "walk", "files", "log"):
        assert command in said_there, f"{command} says no time of the venue's clock"
    assert "2031-05-18 01:45" in (tmp_path / "handover" / "devices.csv").read_text(encoding="utf-8")


def test_documents_for_programs_are_in_utc(far_away: RunningDaemon, fleet: CommandLine) -> None:
    fleet("apply", "weir-hall", "--without", "fill", "--yes", "--allow", "half-room", "--allow", "rise")
    fleet("snapshot", "take")
    for typed in (
        ("changes",),
        ("devices",),
        ("devices", "box-1"),
        ("snapshot", "show"),
        ("audit", "show"),
        ("files",),
    ):
        text = fleet(*typed, "--json").out
        times = re.findall(r'"(\d{4}-\d\d-\d\dT[^"]*)"', text)
        assert times, typed
        assert {at[-1] for at in times} == {"Z"}, typed


TYPED = [
    # Europe/Berlin, IANA database, file `europe`, Rule EU: forward on 2031-03-30 at 02:00, back on 2031-10-26 at 03:00.
    ("2031-03-29T23:00", "02:30", "is left out by the venue's clock", "Write 2031-03-30T03:00"),
    ("2031-10-25T22:00", "02:30", "shows 2031-10-26 02:30 twice", "Write 2031-10-26T02:30+02:00 for the first"),
    ("2031-10-25T22:00", "2031-10-26T02:30", "twice", "2031-10-26T02:30+01:00 for the second"),
]


@pytest.mark.parametrize(("now", "until", "what", "remedy"), TYPED)
def test_an_hour_that_is_not_there_once_is_answered_in_words(
    home: Path, fleet: CommandLine, now: str, until: str, what: str, remedy: str
) -> None:
    with a_daemon(home, now=datetime.fromisoformat(now).replace(tzinfo=UTC)):
        said = fleet("hold", "foyer", "--until", until)
        assert (said.code, said.out) == (2, "")
        words = " ".join(said.err.split())
        assert "--until: " in words
        assert what in words
        assert remedy in words
        guest = fleet("guest", "foyer", "--who", "V", "--until", until)
        assert (guest.code, what in " ".join(guest.err.split())) == (2, True)
        with_offset = fleet("hold", "foyer", "--until", "2031-10-26T02:30+01:00")
        assert with_offset.code == (0 if "10-25" in now else 2), with_offset
        if not with_offset.code:
            assert with_offset.out == "foyer is on hold until 2031-10-26 02:30 CET\n"


@pytest.mark.parametrize("command", [("audit", "show"), ("log",), ("notices",)])
def test_since_is_read_on_the_venues_clock(daemon: RunningDaemon, fleet: CommandLine, command: tuple[str, ...]) -> None:
    for text, words in (
        ("2030-03-31T02:30", "is left out"),
        ("2030-10-27T02:30", "twice"),
        ("yesterday", "'yesterday' is no time"),
    ):
        said = fleet(*command, "--since", text)
        assert (said.code, "--since: " in said.err, words in " ".join(said.err.split())) == (2, True, True), said
    assert fleet(*command, "--since", "2030-10-27T02:30+02:00").code == 0


def test_since_a_time_of_the_clock_leaves_out_what_was_before(daemon: RunningDaemon, fleet: CommandLine) -> None:
    fleet("hold", "foyer", "--until", "2h")
    assert json.loads(fleet("audit", "show", "--since", "2031-05-17T14:00", "--json").out)["entries"]  # 12:00 UTC
    assert not json.loads(fleet("audit", "show", "--since", "2031-05-17T14:01", "--json").out)["entries"]


def test_without_a_venue_times_are_in_utc_and_say_so(home: Path, fleet: CommandLine) -> None:
    with a_daemon(home, loaded=False):
        assert "STARTED (UTC)" in fleet("changes").out
        assert "last seen     2031-05-17 12:00:00 UTC" in fleet("devices", "box-1").out
        assert "2031-05-17 12:00:00 UTC" in fleet("snapshot", "take").out


def test_a_clock_names_the_zone_where_it_has_an_hour_twice() -> None:
    berlin = Clock.of({"time_zone": "Europe/Berlin"})
    assert berlin.minute("2031-10-26T00:30:00Z") == "2031-10-26 02:30 CEST"
    assert berlin.minute("2031-10-26T01:30:00Z") == "2031-10-26 02:30 CET"
    assert berlin.second("2031-10-26T02:30:00Z") == "2031-10-26 03:30:00"
    assert berlin.time("2031-10-26T01:30:00Z", "2031-10-26T20:00:00Z") == "02:30:00 CET"
    assert berlin.time("2031-10-25T21:30:00Z", "2031-10-25T22:30:00Z") == "2031-10-25 23:30:00"
    assert (Clock.of({"time_zone": None}), NO_VENUE.name) == (NO_VENUE, "UTC")


TIME_OF_DAY = {
    "fleet/desired/checks_days.py",
    "fleet/services/snapshots_scheduled.py",
    "fleet/faces/notices/config.py",
}
"""Where a time of day that stands in a file is written as it stands there."""
FILE_NAMES = {"fleet/faces/api/routes_proof.py"}
"""Where a day is part of a file's name."""


def test_times_become_words_in_one_place() -> None:
    root = Path(__file__).parents[2]
    home = {"fleet/model/venue_time.py", "fleet/model/typed_times.py"}
    formats = re.compile(r"strftime|:%[YmdH]|replace\(\"T\"")
    found = {
        str(file.relative_to(root))
        for file in (root / "fleet").rglob("*.py")
        if formats.search(file.read_text("utf-8"))
    }
    assert found - home == TIME_OF_DAY | FILE_NAMES
