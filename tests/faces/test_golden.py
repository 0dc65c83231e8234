"""What commands say in a terminal of 80 columns, kept as files; `FLEET_GOLDEN=write` writes them anew."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import typer.main

from fleet.faces.cli.main import build_cli
from fleet.model.settings import DeviceSettings, OutputSettings
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden
from tests.services.small_venue import FILES


def paths(command: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """The command tree, as what is typed after `fleet`."""
    below = getattr(command, "commands", {})
    return [path, *(p for name, sub in below.items() for p in paths(sub, (*path, name)))]


TREE = paths(typer.main.get_command(build_cli(lambda _: None)))


def test_the_command_tree() -> None:
    assert [" ".join(p) for p in TREE if p and p[0] == "snapshot"] == [
        *("snapshot", "snapshot take", "snapshot show", "snapshot compare", "snapshot export"),
        *("snapshot verify", "snapshot key", "snapshot witness"),
    ]


@pytest.mark.parametrize("path", TREE, ids=lambda p: " ".join(p) or "fleet")
def test_help(fleet: CommandLine, path: tuple[str, ...]) -> None:
    said = fleet(*path, "--help")
    usage = re.compile(r"\[ARGS\]\.\.\.|\{BAND\}\.\.\.|\[SETTING\]\.\.\.")
    assert "..." not in usage.sub("", said.out), "a summary that is cut off helps nobody"
    assert golden("help-" + ("-".join(path) or "fleet"), said, *path, "--help") == []


def test_a_job_as_a_person_reads_it(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    """Commissioning a room, in the order in which it is done."""
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> None:
        wrong.extend(golden(name, fleet(*arguments), *arguments))

    venue = tmp_path / "venue"
    (venue / "rooms").mkdir(parents=True)
    for file, text in FILES.items():
        (venue / file).write_text(text, encoding="utf-8")
    turned = daemon.driver.devices["box-4"]
    turned.live = DeviceSettings(outputs={1: OutputSettings(level_db=-10.4)}).over(turned.live)
    daemon.touched("box-4")
    gone = daemon.driver.devices["box-5"]
    gone.online = False
    daemon.touched("box-5")

    run("devices", "devices")
    run("devices-one", "devices", "box-1")
    run("devices-missing", "devices", "box-5")
    run("rooms", "rooms")
    run("check", "check")
    run("diff", "diff")
    run("diff-all", "diff", "--all")
    run("diff-group", "diff", "weir-hall", "--group", "mains")
    run("diff-unknown", "diff", "attic")
    run("apply-plan", "apply", "weir-hall", "--plan")
    run("apply-missing", "apply", "foyer", "--yes")
    run("apply-guard", "apply", "weir-hall", "--yes")
    run("apply", "apply", "weir-hall", "--yes", "--allow", "half-room", "--why", "first night")
    run("apply-nothing", "apply", "weir-hall", "--yes")
    run("changes", "changes")
    run("changes-one", "changes", "c-0001")
    run("cancel-ended", "cancel", "c-0001")
    run("hold", "hold", "foyer", "--until", "2h", "--why", "talk")
    run("rooms-on-hold", "rooms")
    run("release", "release", "foyer")
    run("store-plan", "store", "weir-hall", "--plan")
    run("recall-plan", "recall", "weir-hall", "--plan")
    run("rollback-plan", "rollback", "c-0001", "--plan")
    run("identify", "identify", "box-4")
    run("identify-life-safety", "identify", "box-9")
    run("snapshot-take", "snapshot", "take", "--note", "before the autumn season")
    run("snapshot-show", "snapshot", "show")
    run("snapshot-show-one", "snapshot", "show", "s-0002")
    run("snapshot-compare", "snapshot", "compare", "s-0002", "s-0002")
    assert not wrong, "\n".join(wrong)
