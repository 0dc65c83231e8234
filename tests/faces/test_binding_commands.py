"""`fleet bind`, `fleet unbind` and `fleet swap` as a person uses them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.services.small_venue import box, boxes


@pytest.fixture
def daemon(home: Path) -> Iterator[RunningDaemon]:
    """A daemon with two boxes more than its venue names, and a dead one."""
    with a_daemon(home, [*boxes(), box("box-7"), box("box-8")]) as running:
        running.driver.devices["box-3"].online = False
        running.touched("box-3")
        yield running


def test_a_dead_box_is_swapped_as_a_person_reads_it(daemon: RunningDaemon, fleet: CommandLine) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> int:
        said = fleet(*arguments)
        wrong.extend(golden(name, said, *arguments))
        return said.code

    assert run("swap-none", "swap") == 0
    assert run("swap-plan", "swap", "fill", "box-7", "--plan") == 1
    assert run("swap-unasked", "swap", "fill", "box-7") == 2
    assert run("swap-refused", "swap", "fill", "box-4", "--yes") == 2
    assert run("swap", "swap", "weir-hall/fill", "box-7", "--yes", "--why", "dead before the show") == 0
    assert run("swap-list", "swap") == 0
    assert run("swap-undo-refused", "swap", "--undo", "fill", "--yes") == 2
    assert run("bind-retired", "bind", "fill", "box-3") == 2
    assert run("bind-taken", "bind", "fill", "box-4") == 2
    assert run("bind", "bind", "desk", "box-8", "--room", "foyer") == 0
    assert run("unbind", "unbind", "desk") == 2
    assert run("devices-retired", "devices", "box-3") == 0
    assert not wrong, "\n".join(wrong)


def test_the_documents_say_their_format(daemon: RunningDaemon, fleet: CommandLine) -> None:
    plan = json.loads(fleet("swap", "fill", "box-7", "--plan", "--json").out)
    assert (plan["format"], plan["losses"]) == ("fleet-swap-plan/1", [])
    done = json.loads(fleet("swap", "fill", "box-7", "--yes", "--json").out)
    assert (done["format"], done["state"], done["positions"]) == ("fleet-swap/1", "done", ["weir-hall/fill"])
    assert json.loads(fleet("swap", "--json").out)["format"] == "fleet-swaps/1"
    bound = json.loads(fleet("bind", "desk", "box-8", "--json").out)
    assert (bound["format"], bound["before"]["device"]) == ("fleet-binding/1", "box-4")
    (retired,) = [d for d in json.loads(fleet("devices", "--json").out)["devices"] if d["id"] == "box-3"]
    assert (retired["status"], retired["retired"]["positions"]) == ("retired", ["weir-hall/fill"])


def test_what_is_typed_wrong_is_told(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert "name the device to put in, or take --undo" in fleet("swap", "fill").err
    assert fleet("swap", "fill", "box-7", "--undo").code == 2
    assert "'soon' is no day. Write it as in 2031-05-20" in fleet("swap", "fill", "box-7", "--until", "soon").err


def test_the_api_takes_only_the_swap_that_was_shown(daemon: RunningDaemon) -> None:
    address = json.loads((daemon.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    token = (daemon.home / "token").read_text(encoding="utf-8").strip()
    body = {"position": "fill", "device": "box-7", "digest": "0" * 64, "who": "ines"}
    with httpx.Client(base_url=f"{address}/v1", headers={"Authorization": f"Bearer {token}"}, trust_env=False) as api:
        answer = api.post("/swaps", json=body)
        assert (answer.status_code, answer.json()["title"]) == (409, "Moved")
        assert api.get("/swaps").json()["swaps"] == []
        assert api.get("/swaps/w-0099").status_code == 404
        assert api.post("/swaps/plan", json={**body, "colour": "red"}).status_code == 422
