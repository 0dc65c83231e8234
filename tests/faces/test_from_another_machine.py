"""Every command from another machine, for each role: done, or refused in words. A new command needs its line here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from fleet.faces.cli.sign_in_file import write_sign_in
from fleet.model.access import ROLES, Role
from fleet.model.settings import DeviceSettings, OutputSettings
from tests.faces.daemon_in_process import RunningDaemon, Said
from tests.faces.laptop import Laptop, Reached, a_sign_in, laptop, own_certificate, reached, token_of
from tests.faces.test_docs import COMMANDS, README
from tests.faces.test_watch_command import give, watching
from tests.services.small_venue import FILES

__all__ = ["laptop"]
EVERYBODY, INTEGRATOR = frozenset(ROLES), frozenset({"integrator"})
AUDITOR, OPERATOR = INTEGRATOR | {"auditor"}, INTEGRATOR | {"operator"}


@dataclass(frozen=True)
class Elsewhere:
    """Goes through the API: who may, what is typed, and the exit codes that may come of it where they may."""

    roles: frozenset[str]
    typed: str
    codes: tuple[int, ...] = (0, 1)


THERE = {
    "load": Elsewhere(INTEGRATOR, "load {files}"),
    "devices": Elsewhere(AUDITOR, "devices"),
    "accept": Elsewhere(INTEGRATOR, "accept box-4"),
    "rooms": Elsewhere(EVERYBODY, "rooms"),
    "room": Elsewhere(EVERYBODY, "room foyer"),
    "handover": Elsewhere(AUDITOR, "handover foyer --out {new}/pack"),
    "check": Elsewhere(AUDITOR, "check {files}"),
    "diff": Elsewhere(EVERYBODY, "diff foyer"),
    "hold": Elsewhere(INTEGRATOR, "hold weir-hall --until 2h"),
    "release": Elsewhere(INTEGRATOR, "release weir-hall"),
    "guest": Elsewhere(AUDITOR, "guest"),
    "agree": Elsewhere(AUDITOR, "agree"),
    "apply": Elsewhere(INTEGRATOR, "apply foyer --yes"),
    "changes": Elsewhere(EVERYBODY, "changes {muted}"),
    "keep": Elsewhere(OPERATOR, "keep {muted}", (2,)),  # it is not on trial
    "cancel": Elsewhere(OPERATOR, "cancel {muted}", (2,)),  # it has ended
    "rollback": Elsewhere(INTEGRATOR, "rollback {applied} --plan"),
    "store": Elsewhere(INTEGRATOR, "store weir-hall --plan"),
    "recall": Elsewhere(OPERATOR, "recall weir-hall --plan --when-up 1s"),
    "history": Elsewhere(AUDITOR, "history foyer"),
    "level": Elsewhere(EVERYBODY, "level foyer"),
    "mute": Elsewhere(OPERATOR, "mute foyer"),
    "unmute": Elsewhere(OPERATOR, "unmute foyer --yes"),
    "restart": Elsewhere(INTEGRATOR, "restart foyer --plan"),
    "identify": Elsewhere(INTEGRATOR, "identify box-4"),
    "capture": Elsewhere(INTEGRATOR, "capture attic --devices box-4 --plan", (2,)),  # it has a position
    "files": Elsewhere(AUDITOR, "files --to {new}/files"),
    "import": Elsewhere(AUDITOR, "import {sheet} --folder {files} --plan"),
    "labels": Elsewhere(AUDITOR, "labels foyer --out {new}/labels.html"),
    "bind": Elsewhere(INTEGRATOR, "bind foyer/desk box-4"),
    "unbind": Elsewhere(INTEGRATOR, "unbind foyer/desk", (2,)),  # as it always is
    "swap": Elsewhere(AUDITOR, "swap"),
    "walk": Elsewhere(AUDITOR, "walk --list"),
    "take-over": Elsewhere(AUDITOR, "take-over --yes"),
    "notices": Elsewhere(AUDITOR, "notices"),
    "watch": Elsewhere(EVERYBODY, ""),  # which does not end: below
    "log": Elsewhere(AUDITOR, "log --lines 1"),
    "config": Elsewhere(AUDITOR, "config"),
    "snapshot take": Elsewhere(AUDITOR, "snapshot take"),
    "snapshot show": Elsewhere(AUDITOR, "snapshot show {snapshot}"),
    "snapshot compare": Elsewhere(AUDITOR, "snapshot compare {snapshot} {snapshot}"),
    "snapshot export": Elsewhere(AUDITOR, "snapshot export {snapshot} --out {new}/snapshot.json"),
    "snapshot key": Elsewhere(AUDITOR, "snapshot key --out {new}/venue.pem"),
    "snapshot witness": Elsewhere(INTEGRATOR, "snapshot witness {snapshot} --time-stamp", (2,)),  # there is no service
    "audit show": Elsewhere(AUDITOR, "audit show"),
    "audit verify": Elsewhere(AUDITOR, "audit verify"),
    "audit export": Elsewhere(AUDITOR, "audit export {new}/audit.csv"),
    "access make": Elsewhere(INTEGRATOR, "access make Bo --role auditor --out {new}/token"),
    "access tablet": Elsewhere(INTEGRATOR, "access tablet Tablet --rooms foyer --out {new}/tablet.html"),
    "access list": Elsewhere(AUDITOR, "access list"),
    "access revoke": Elsewhere(INTEGRATOR, "access revoke {spare}"),
}
HERE = {
    "daemon": "daemon",
    "self-check": "self-check",
    "backup": "backup {new}/backup.tar.gz",
    "access certificate": "access certificate --for fleet.example",
}
"""For the daemon's own machine, which they need."""
ANYWHERE = {"demo", "restore", "sign-in", "sign-out", "snapshot verify"} | {
    name.removeprefix("fleet ") for name, _ in COMMANDS if name.startswith("fleet calc ")
}
"""Need no daemon of a home, or say themselves which one."""
SHUT = re.compile(r"your token is an|among the rooms that were given to you|an operator recalls a room|an integrator's")


def test_every_command_is_in_the_matrix() -> None:
    assert sorted([*THERE, *HERE, *ANYWHERE]) == sorted(name.removeprefix("fleet ") for name, _ in COMMANDS)


def test_the_readme_names_those_of_the_daemons_own_machine() -> None:
    section = README.read_text(encoding="utf-8").partition("### From another machine\n")[2].partition("\n## ")[0]
    (line,) = re.findall(r"^- (.*) are for the daemon's own machine", section, re.MULTILINE)
    named = re.findall(r"`([a-z -]+)`", line)
    assert sorted(named) == sorted(HERE)


@pytest.fixture
def venue(daemon: RunningDaemon, tmp_path: Path) -> Iterator[Reached]:
    with reached(daemon, own_certificate(tmp_path / "venue")) as at:
        yield at


@pytest.fixture
def scene(daemon: RunningDaemon, laptop: Laptop, tmp_path: Path) -> dict[str, str]:
    """What the rows name: files, and what there is in the daemon."""
    files = tmp_path / "files"
    (files / "rooms").mkdir(parents=True)
    for name, text in FILES.items():
        (files / name).write_text(text, encoding="utf-8")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("room,position,device,serial\nfoyer,desk,,SN-box-4\n", encoding="utf-8")
    own, laptop.home = laptop.home, daemon.home
    for words in ("apply foyer --yes", "mute foyer", "unmute foyer --yes", "snapshot take"):
        assert laptop(*words.split()).code == 0
    token_of(daemon, "Spare", "auditor")
    changes = {c.plan.kind: c.id for c in daemon.do(daemon.services.changes.records(10))}
    (spare,) = daemon.do(daemon.services.access.tokens())
    shown = laptop("snapshot", "show").out
    laptop.home = own
    snapshot = next(iter(re.findall(r"\bs-[0-9a-z]+", shown)))
    known = {"applied": changes["apply"], "muted": changes["mute"], "snapshot": snapshot, "spare": spare.id}
    return {"files": str(files), "sheet": str(sheet), **known}


def wrong_in(row: Elsewhere, role: str, said: Said) -> bool:
    """Whether a command did not end as it is meant to for a role."""
    if role in row.roles:
        return said.code not in row.codes or SHUT.search(said.err) is not None
    return said.code != 2 or said.out != "" or SHUT.search(said.err) is None


@pytest.mark.parametrize("role", ROLES)
def test_every_command_does_what_the_role_may_and_says_what_it_may_not(
    daemon: RunningDaemon, venue: Reached, laptop: Laptop, scene: dict[str, str], tmp_path: Path, role: Role
) -> None:
    token = token_of(daemon, "Ana", role, rooms=("foyer", "weir-hall"))
    assert laptop.sign_in(venue, token).code == 0
    (new := tmp_path / "new").mkdir()
    wrong = []
    for command, row in THERE.items():
        if row.typed:
            said = laptop(*row.typed.format(new=new, **scene).split())
            if wrong_in(row, role, said) or "Traceback" in said.err or token in said.out + said.err:
                wrong.append(f"{command}: {said}")
    assert not wrong, "\n".join(wrong)
    entries = daemon.do(daemon.services.audit.entries())
    assert {entry.who for entry in entries if entry.source.startswith("127.0.0.1")} == {"Ana"}


def test_an_operator_is_told_of_another_room_in_words(daemon: RunningDaemon, venue: Reached, laptop: Laptop) -> None:
    assert laptop.sign_in(venue, token_of(daemon, "Ana", "operator")).code == 0
    for words in ("room weir-hall", "diff weir-hall", "mute weir-hall", "level weir-hall +2 --yes"):
        said = laptop(*words.split())
        assert (said.code, said.err) == (2, "fleet: weir-hall is not among the rooms that were given to you\n")
    assert "weir-hall" not in laptop("rooms").out


def test_an_operator_recalls_a_room_to_the_end(daemon: RunningDaemon, venue: Reached, laptop: Laptop) -> None:
    assert laptop.sign_in(venue, token_of(daemon, "Ana", "operator", rooms=("weir-hall",))).code == 0
    own, laptop.home = laptop.home, daemon.home
    for words in ("store weir-hall --yes --allow half-room", "recall weir-hall --yes --allow half-room"):
        assert laptop(*words.split()).code == 0
    laptop.home = own
    turn(daemon, "box-3")
    said = laptop("recall", "weir-hall", "--yes")
    assert (said.code, said.err) == (0, ""), said
    assert "(recall weir-hall): kept" in said.out


def turn(daemon: RunningDaemon, device: str) -> None:
    """Somebody turns a box down by hand."""
    box = daemon.driver.devices[device]
    box.live = DeviceSettings(outputs={1: OutputSettings(level_db=-15.0)}).over(box.live)
    daemon.touched(device)


@pytest.mark.parametrize("role", ROLES)
def test_a_watch_follows_what_the_role_may_see(
    daemon: RunningDaemon, venue: Reached, laptop: Laptop, role: Role
) -> None:
    assert laptop.sign_in(venue, token_of(daemon, "Ana", role)).code == 0
    with watching(laptop.home) as watch:
        watch.until("connected; Ctrl-C ends\n")
        watch.until("foyer: ")
        give(daemon, "of weir-hall")
        give(daemon, "of the foyer", room="foyer")
        said = watch.until("of the foyer. Way out")
        assert ("of weir-hall" in said) == (role != "operator")
        assert ("weir-hall: " in said) == (role != "operator")
        command = Path(f"/proc/{watch.process.pid}/cmdline").read_bytes()
        assert b"fleet_" not in command + Path(f"/proc/{watch.process.pid}/environ").read_bytes()
        (token,) = daemon.do(daemon.services.access.tokens())
        daemon.do(daemon.services.access.revoke(token.id, "ines"))
        assert watch.process.wait(30) == 2
        watch._read(1)  # what it said last
        assert "the token of Ana opens nothing at" in " ".join(watch.said.split())


@pytest.mark.parametrize("command", HERE)
def test_what_is_for_the_daemons_machine_says_so(laptop: Laptop, command: str, tmp_path: Path) -> None:
    write_sign_in(laptop.home, a_sign_in("https://fleet.example:8443"))
    said = laptop(*HERE[command].format(new=tmp_path).split())
    what = (
        f"`fleet {command}` is for the machine of the daemon, and this home is signed in to https://fleet.example:8443"
    )
    assert (said.code, said.out) == (2, "")
    assert " ".join(said.err.split()) == f"fleet: {what}. Run it there, or name another home with --home."
    assert [file.name for file in laptop.home.iterdir()] == ["sign-in.json"]


@pytest.mark.parametrize("command", [name for name in sorted(ANYWHERE) if name.startswith("calc ")])
def test_what_needs_no_daemon_asks_none(laptop: Laptop, command: str) -> None:
    write_sign_in(laptop.home, a_sign_in("https://127.0.0.2:9"))
    help_of = dict(COMMANDS)[f"fleet {command}"].help
    example = re.search(r"^\s*Example: fleet (.*)$", help_of, re.MULTILINE)
    assert example is not None
    assert laptop(*example[1].split()).code == 0


def test_labels_and_sheets_lead_to_where_the_daemon_is_reached(
    daemon: RunningDaemon, venue: Reached, laptop: Laptop, tmp_path: Path
) -> None:
    assert laptop.sign_in(venue, token_of(daemon, "Ana", "integrator")).code == 0
    assert laptop("access", "tablet", "Tablet", "--rooms", "foyer", "--out", str(tmp_path / "t.html")).code == 0
    assert venue.url in (tmp_path / "t.html").read_text(encoding="utf-8")


def test_a_folder_of_the_daemons_machine_is_said_to_be_there(
    daemon: RunningDaemon, venue: Reached, laptop: Laptop, tmp_path: Path
) -> None:
    folder = tmp_path / "daemons-folder"
    (folder / "rooms").mkdir(parents=True)
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    daemon.services.editing._folder = folder
    assert laptop.sign_in(venue, token_of(daemon, "Ana", "integrator")).code == 0
    turn(daemon, "box-4")
    said = laptop("capture", "foyer", "--devices", "box-4,box-5", "--into", "rooms/foyer.yaml")
    assert said.code == 0, said
    assert f"{folder.name} on the daemon's machine" in " ".join(said.out.split())
