"""What simulated devices tell when a cause of drift is injected: another box or firmware, hints, stores by hand."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from raw_wire import DEVICES, Wire, controller, simulators, topic

from simulators import cli, control
from simulators.faults import Faults
from tests.brokers import embedded_broker


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with embedded_broker(tmp_path_factory.mktemp("broker")) as opened:
        yield opened


@asynccontextmanager
async def devices(port: int, folder: Path, *options: str) -> AsyncIterator[tuple[Wire, Path]]:
    (folder / "devices.yaml").write_text(DEVICES, encoding="utf-8")
    words = ["--venue", str(folder), "--no-announce", *options]
    with simulators(port, *words, state=folder / "state") as run:
        async with controller(port) as wire:
            yield wire, run.state


@pytest.mark.parametrize("options", [(), ("--processes", "1")], ids=["own-process", "packed"])
async def test_a_replaced_box_is_another_out_of_its_carton_and_the_old_one_keeps_its_memory(
    port: int, tmp_path: Path, options: tuple[str, ...]
) -> None:
    async with devices(port, tmp_path, *options) as (wire, state):
        old = await wire.state("full")
        identity = await wire.until(topic("full", "description"), lambda told: told["v"] == 1)
        await control.set_fault(state, "full", "replaced:S-77")
        told = await wire.until(topic("full", "state"), lambda told: told["serial"] == "S-77")
        now = await wire.until(topic("full", "description"), lambda told: told["serial"] == "S-77")
        assert (told["boot_count"], told["active_slot"], told["outputs"][0]["level_db"]) == (1, 1, 0)
        assert now["mac"] != identity["mac"]
        assert now["model"] == identity["model"]
        await control.power_cut(state, ["full"], 0)
        again = await wire.until(topic("full", "state"), lambda told: told["boot_count"] == 2)
        assert again["serial"] == "S-77"
        await control.set_fault(state, "full", "none:replaced")
        back = await wire.until(topic("full", "state"), lambda told: told["serial"] == "S-1")
        assert (back["active_slot"], back["outputs"]) == (old["active_slot"], old["outputs"])
        assert back["boot_count"] == old["boot_count"] + 1


async def test_another_firmware_comes_with_a_restart(port: int, tmp_path: Path) -> None:
    async with devices(port, tmp_path) as (wire, state):
        before = await wire.state("fill")
        words = ["fault", "--state", str(state), "fill", "firmware:2.0.0"]
        assert await asyncio.to_thread(cli.main, words) == 0
        await wire.until(topic("fill", "description"), lambda told: told["firmware"] == "2.0.0")
        after = await wire.until(topic("fill", "state"), lambda told: told["boot_id"] != before["boot_id"])
        assert after["boot_count"] == before["boot_count"] + 1


async def test_hints_may_be_missing_and_may_be_false(port: int, tmp_path: Path) -> None:
    async with devices(port, tmp_path, "--fault", "plain=no_hint", "--fault", "column=false_hint:panel") as (
        wire,
        state,
    ):
        assert "cause" not in await wire.state("plain")
        assert (await wire.state("column"))["cause"] == "panel"
        assert (await wire.state("sub"))["cause"] == "power_up"
        await control.set_fault(state, "plain", "none:no_hint")
        assert (await wire.state("plain"))["cause"] == "power_up"


async def test_a_hand_stores_what_is_live_and_not_into_the_factorys_slots(
    port: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with devices(port, tmp_path) as (wire, state):
        before = await wire.state("full")
        await control.press(state, "full", {"set": {"level_db": -11}, "output": 1})
        words = ["panel", "--state", str(state), "full", "store"]
        assert await asyncio.to_thread(cli.main, [*words, "4"]) == 0
        now = await wire.do("full", "get")
        assert now["state"]["cause"] == "panel"
        assert (now["state"]["active_slot"], now["state"]["revision"]) == (4, before["revision"] + 2)
        assert now["state"]["slots_sha256"] != before["slots_sha256"]
        assert now["slots"]["slots"][3]["outputs"][0]["level_db"] == -11
        for slot, complaint in (("1", "slot 1 is the factory's"), ("9", "there is no slot 9")):
            assert await asyncio.to_thread(cli.main, [*words, slot]) == 2
            assert complaint in capsys.readouterr().err
        await control.power_cut(state, ["full"], 0)
        assert (await wire.do("full", "get"))["slots"]["slots"][3]["outputs"][0]["level_db"] == -11


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("replaced", "replaced needs its value"),
        ("firmware", "firmware needs its value"),
        ("false_hint", "false_hint needs its value"),
        ("no_hint:panel", "no_hint takes nothing"),
        ("replaced:../S-1", "a serial of letters"),
    ],
)
def test_faults_that_need_a_text_say_so(text: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        Faults([text])
