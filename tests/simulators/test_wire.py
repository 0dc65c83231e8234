"""Every action and every refusal of the wire contract (schemas/wire.md), asked of simulated devices over raw MQTT."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable

import pytest
from raw_wire import DEVICES, REPOSITORY, ROOT, Json, Run, Wire, controller, topic

from simulators import control
from simulators.models import MODELS

CONTRACT = (REPOSITORY / "schemas" / "wire.md").read_text(encoding="utf-8")


def level(level_db: float, output: int = 1) -> Json:
    return {"outputs": [{"output": output, "level_db": level_db}]}


def contents(slot: int, **settings: object) -> list[Json]:
    return [{"slot": slot, "name": "mine", "outputs": [{"output": 1, **settings}]}]


def level_of(state: Json, output: int = 1) -> float:
    value: float = state["outputs"][output - 1]["level_db"]
    return value


async def staged(wire: Wire, device: str, change: str, **work: object) -> None:
    await wire.do(device, "stage", {"change": change, "phase": 1, **work})


# Actions, in the order of the contract's table.


async def test_get_tells_the_whole_state_and_slots(wire: Wire) -> None:
    result = await wire.do("full", "get")
    assert result["state"]["id"] == result["slots"]["id"] == "full"
    assert result["state"]["revision"] == result["revision"]
    assert [slot["slot"] for slot in result["slots"]["slots"]] == list(range(1, 9))


async def test_stage_commit_keep(wire: Wire) -> None:
    before = await wire.state("full")
    await staged(wire, "full", "c-keep", settings=level(-9.3), slot_contents=contents(6, level_db=-9.3))
    during = await wire.state("full")
    assert during["revision"] == before["revision"]
    assert during["change"] == {"id": "c-keep", "phase": 0, "reverts_in_ms": None}
    committed = await wire.do("full", "commit", {"change": "c-keep", "phase": 1})
    assert committed["revision"] == before["revision"] + 1
    state = await wire.state("full")
    assert level_of(state) == -9.5  # the nearest half dB to -9.3
    assert state["change"]["phase"] == 1
    assert state["slots_sha256"] == before["slots_sha256"]
    await wire.do("full", "keep", {"change": "c-keep"})
    kept = await wire.do("full", "get")
    assert "change" not in kept["state"]
    assert kept["state"]["slots_sha256"] != before["slots_sha256"]
    assert kept["slots"]["slots"][5]["outputs"][0]["level_db"] == -9.5
    await wire.do("full", "keep", {"change": "c-keep"})


async def test_a_phase_recalls_before_it_sets(wire: Wire) -> None:
    await staged(wire, "full", "c-recall", recall=1, settings=level(-20))
    await wire.do("full", "commit", {"change": "c-recall", "phase": 1})
    state = await wire.state("full")
    assert (state["active_slot"], level_of(state)) == (1, -20)
    assert state["input"] == "network"  # this model's slots hold no input
    await wire.do("full", "revert", {"change": "c-recall"})


async def test_revert_returns_to_the_restore_point_of_the_first_commit(wire: Wire) -> None:
    before = await wire.state("full")
    for phase, level_db in ((1, -30), (2, -40)):
        await wire.do("full", "stage", {"change": "c-two", "phase": phase, "settings": level(level_db)})
        await wire.do("full", "commit", {"change": "c-two", "phase": phase})
    await wire.do("full", "revert", {"change": "c-two"})
    after = await wire.state("full")
    assert after["outputs"] == before["outputs"]
    assert (after["cause"], "change" in after) == ("reverted", False)
    await wire.do("full", "revert", {"change": "c-two"})


async def test_abort_drops_what_is_staged(wire: Wire) -> None:
    before = await wire.state("full")
    await staged(wire, "full", "c-abort", settings=level(-33))
    await wire.do("full", "abort", {"change": "c-abort"})
    await wire.do("full", "abort", {"change": "c-abort"})
    after = await wire.state("full")
    assert after["outputs"] == before["outputs"]
    assert "change" not in after


async def test_revert_with_nothing_committed_is_an_abort(wire: Wire) -> None:
    await staged(wire, "full", "c-nothing", settings=level(-33))
    await wire.do("full", "revert", {"change": "c-nothing"})
    again = await wire.ask("full", "stage", {"change": "c-nothing", "phase": 1, "settings": level(-33)})
    assert again["refusal"]["code"] == "aborted"


async def test_set_is_done_and_kept_at_once(wire: Wire, run: Run) -> None:
    work = {"change": "c-set", "recall": 1, "settings": level(-7), "slot_contents": contents(3, level_db=-7.0)}
    before = await wire.state("plain")
    result = await wire.do("plain", "set", work)
    assert result["revision"] == before["revision"] + 1
    await control.power_cut(run.state, ["plain"], 0)
    state = await wire.state("plain")
    assert (level_of(state), state["active_slot"]) == (-7, 1)
    assert state["boot_count"] == before["boot_count"] + 1


async def test_mutes_of_a_controller_and_the_panel_are_lifted_and_others_never(wire: Wire, run: Run) -> None:
    await control.press(run.state, "sub", {"mute": True})
    await control.press(run.state, "sub", {"mute": True, "cause": "external"})
    unmute = {"outputs": [{"output": 1, "mute": False}]}
    await staged(wire, "sub", "c-mute", settings={"outputs": [{"output": 1, "mute": True}]})
    await wire.do("sub", "commit", {"change": "c-mute", "phase": 1})
    assert (await wire.state("sub"))["outputs"][0]["mute_causes"] == ["controller", "external", "panel"]
    await wire.do("sub", "stage", {"change": "c-mute", "phase": 2, "settings": unmute})
    await wire.do("sub", "commit", {"change": "c-mute", "phase": 2})
    await wire.do("sub", "keep", {"change": "c-mute"})
    output = (await wire.state("sub"))["outputs"][0]
    assert (output["mute"], output["mute_causes"]) == (True, ["external"])
    await control.press(run.state, "sub", {"mute": False, "cause": "external"})
    assert (await wire.state("sub"))["outputs"][0]["mute"] is False


async def test_identify(wire: Wire) -> None:
    await wire.do("full", "identify", {"seconds": 5})


async def test_restart_reboots_after_its_answer(wire: Wire) -> None:
    before = await wire.state("column")
    await wire.do("column", "restart")
    presence = await wire.until(
        topic("column", "presence"), lambda told: told["online"] and told["boot_id"] != before["boot_id"]
    )
    after = await wire.until(topic("column", "state"), lambda told: told["boot_id"] == presence["boot_id"])
    assert (after["boot_count"], after["revision"], after["cause"]) == (before["boot_count"] + 1, 1, "power_up")


# Timers, power, retained messages and replies.


async def test_the_revert_timer_is_the_devices_own(wire: Wire) -> None:
    before = await wire.state("full")
    await staged(wire, "full", "c-timer", settings=level(-40))
    await wire.do("full", "commit", {"change": "c-timer", "phase": 1, "revert_after_ms": 300})
    after = await wire.until(
        topic("full", "state"), lambda told: told["cause"] == "reverted" and told["revision"] == before["revision"] + 2
    )
    assert after["outputs"] == before["outputs"]
    late = await wire.ask("full", "keep", {"change": "c-timer"})
    assert late["refusal"]["code"] == "reverted"


async def test_power_loss_is_told_by_the_will_and_undoes_what_was_not_kept(wire: Wire, run: Run) -> None:
    before = await wire.state("full")
    await staged(wire, "full", "c-lost", settings=level(-44), slot_contents=contents(7, level_db=-44))
    await wire.do("full", "commit", {"change": "c-lost", "phase": 1})
    heard = len(wire.heard[topic("full", "presence")])
    await control.power_cut(run.state, ["full"], 0.2)
    await wire.until(topic("full", "presence"), lambda told: told["online"] and told["boot_id"] != before["boot_id"])
    will = wire.heard[topic("full", "presence")][heard]
    assert (will["online"], will["boot_id"], will["connection"]) == (False, before["boot_id"], 1)
    after = await wire.state("full")
    assert after["outputs"] == before["outputs"]
    assert after["slots_sha256"] == before["slots_sha256"]
    assert "change" not in after
    assert (after["boot_count"], after["epoch"]) == (before["boot_count"] + 1, before["epoch"])


async def test_a_default_slot_comes_back_after_power_loss_and_a_recall_mends_it(wire: Wire, run: Run) -> None:
    await staged(wire, "fill", "c-house", recall=4)
    await wire.do("fill", "commit", {"change": "c-house", "phase": 1})
    await wire.do("fill", "keep", {"change": "c-house"})
    house = await wire.state("fill")
    await control.power_cut(run.state, ["fill"], 0)
    woken = await wire.state("fill")
    assert (woken["active_slot"], woken["input"], level_of(woken)) == (1, "analogue", 0)
    await staged(wire, "fill", "c-mend", recall=4)
    await wire.do("fill", "commit", {"change": "c-mend", "phase": 1})
    await wire.do("fill", "keep", {"change": "c-mend"})
    mended = await wire.state("fill")
    assert (mended["outputs"], mended["input"]) == (house["outputs"], "network")


async def test_a_newcomer_finds_everything_retained(run: Run, wire: Wire) -> None:
    await wire.state("amplifier")
    async with controller(run.port, "raw-late") as late:
        told = {
            name: await late.until(topic("amplifier", name), lambda told: told["v"] == 1)
            for name in ("presence", "description", "state", "slots")
        }
    assert told["presence"]["online"] is True
    assert told["description"]["model"] == "Weirhouse 4"
    assert len(told["state"]["outputs"]) == len(told["slots"]["slots"][0]["outputs"]) == 4


async def test_inactive_slots_are_untold_where_they_cannot_be_read(wire: Wire) -> None:
    told = (await wire.do("column", "get"))["slots"]["slots"]
    assert [slot["slot"] for slot in told if slot["outputs"] is not None] == [1]


async def test_replies_go_to_the_controller_that_asked_and_to_no_other(wire: Wire, run: Run) -> None:
    async with controller(run.port, "raw-2") as other:
        await wire.do("full", "get")
        await other.do("full", "get")
        assert {reply["device"] for reply in other.heard[f"{ROOT}/controllers/raw-2/replies"]} == {"full"}
        assert len(other.heard[f"{ROOT}/controllers/raw-2/replies"]) == 1
        assert f"{ROOT}/controllers/raw-1/replies" not in other.heard


async def test_a_repeat_is_answered_from_memory(wire: Wire) -> None:
    now = await wire.do("amplifier", "get")
    members = {
        "deadline_uptime_ms": now["uptime_ms"] + 60_000,
        "expect": {"boot_id": now["boot_id"], "revision": now["revision"]},
    }
    stage = wire.message("stage", {"change": "c-again", "phase": 1, "settings": level(-3)}, **members)
    commit = wire.message("commit", {"change": "c-again", "phase": 1}, **members)
    for message in (stage, commit, stage, commit):
        await wire.send("amplifier", message)
    first, second = await wire.replies(commit["id"], 2)
    assert first == second
    assert first["ok"]
    assert (await wire.state("amplifier"))["revision"] == now["revision"] + 1
    await wire.do("amplifier", "revert", {"change": "c-again"})


async def test_a_retained_request_is_not_for_a_device_that_comes_back(wire: Wire, run: Run) -> None:
    message = wire.message("get")
    await control.set_fault(run.state, "sub", "offline")
    await wire.until(topic("sub", "presence"), lambda told: not told["online"])
    await wire.send("sub", message, retain=True)
    await wire.until(topic("sub", "request"), lambda told: told["id"] == message["id"])
    await control.set_fault(run.state, "sub", "none")
    await wire.until(topic("sub", "presence"), lambda told: told["online"])
    await wire.do("sub", "get")
    await wire.send("sub", b"", retain=True)
    replies = wire.heard[f"{ROOT}/controllers/raw-1/replies"]
    assert message["id"] not in {reply["id"] for reply in replies}


async def test_a_foreign_offline_presence_is_contradicted(wire: Wire) -> None:
    mine = await wire.until(topic("plain", "presence"), lambda told: told["online"])
    forged = '{"v": 1, "online": false, "boot_id": "b-other", "connection": 99}'
    await wire.client.publish(topic("plain", "presence"), forged, qos=1, retain=True)
    await wire.until(topic("plain", "presence"), lambda told: told["boot_id"] == "b-other")
    assert await wire.until(topic("plain", "presence"), lambda told: told["online"]) == mine


async def test_noise_on_the_request_topic_is_survived(wire: Wire) -> None:
    for noise in (b"", b"\xff\xfe", b"[]", b"{", b"[" * 50_000, b'{"id": "r-x"}', b'{"id": 4, "controller": "raw-1"}'):
        await wire.send("plain", noise)
    assert (await wire.ask("plain", "get"))["ok"]


# Refusals: one scenario a code of the contract's table.

Scenario = Callable[[Wire, Run], Awaitable[Json]]


async def malformed(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "stage", {"change": "c-m", "phase": 1, "settings": level(-3, output=2)})


async def expired(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "keep", {"change": "c-e"}, deadline_uptime_ms=0)


async def stale_epoch(wire: Wire, run: Run) -> Json:
    wire.epoch += 1
    await wire.do("full", "identify", {"seconds": 1})
    await control.power_cut(run.state, ["full"], 0)
    return await wire.ask("full", "identify", {"seconds": 1}, epoch=wire.epoch - 1)


async def unsupported(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "set", {"change": "c-u", "settings": level(-3)})


async def change_open(wire: Wire, run: Run) -> Json:
    await staged(wire, "full", "c-first")
    reply = await wire.ask("full", "stage", {"change": "c-second", "phase": 1})
    await wire.do("full", "abort", {"change": "c-first"})
    return reply


async def aborted(wire: Wire, run: Run) -> Json:
    await wire.do("full", "abort", {"change": "c-never"})
    return await wire.ask("full", "stage", {"change": "c-never", "phase": 1})


async def reverted(wire: Wire, run: Run) -> Json:
    await staged(wire, "full", "c-r", settings=level(-50))
    await wire.do("full", "commit", {"change": "c-r", "phase": 1})
    await wire.do("full", "revert", {"change": "c-r"})
    return await wire.ask("full", "keep", {"change": "c-r"})


async def unknown_change(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "keep", {"change": "c-unheard-of"})


async def wrong_boot(wire: Wire, run: Run) -> Json:
    revision = (await wire.state("full"))["revision"]
    return await wire.ask("full", "restart", expect={"boot_id": "b-other", "revision": revision})


async def wrong_revision(wire: Wire, run: Run) -> Json:
    await staged(wire, "full", "c-w", settings=level(-50))
    before = await wire.state("full")
    await control.press(run.state, "full", {"set": {"level_db": -8}})
    expect = {"boot_id": before["boot_id"], "revision": before["revision"]}
    reply = await wire.ask("full", "commit", {"change": "c-w", "phase": 1}, expect=expect)
    await wire.do("full", "abort", {"change": "c-w"})
    return reply


async def not_staged(wire: Wire, run: Run) -> Json:
    await staged(wire, "full", "c-n")
    reply = await wire.ask("full", "commit", {"change": "c-n", "phase": 2})
    await wire.do("full", "abort", {"change": "c-n"})
    return reply


async def committed(wire: Wire, run: Run) -> Json:
    await staged(wire, "full", "c-c")
    await wire.do("full", "commit", {"change": "c-c", "phase": 1})
    reply = await wire.ask("full", "abort", {"change": "c-c"})
    await wire.do("full", "revert", {"change": "c-c"})
    return reply


async def out_of_range(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "stage", {"change": "c-o", "phase": 1, "settings": level(6.5)})


async def locked_slot(wire: Wire, run: Run) -> Json:
    return await wire.ask("full", "stage", {"change": "c-l", "phase": 1, "slot_contents": contents(2, level_db=-1)})


async def store_too_soon(wire: Wire, run: Run) -> Json:
    await staged(wire, "amplifier", "c-store", slot_contents=contents(6, level_db=-5))
    await wire.do("amplifier", "keep", {"change": "c-store"})
    work = {"change": "c-soon", "phase": 1, "slot_contents": contents(7, level_db=-5)}
    return await wire.ask("amplifier", "stage", work)


async def not_live(wire: Wire, run: Run) -> Json:
    await staged(wire, "column", "c-nl", slot_contents=contents(6, level_db=-33))
    reply = await wire.ask("column", "commit", {"change": "c-nl", "phase": 1})
    await wire.do("column", "abort", {"change": "c-nl"})
    return reply


async def busy(wire: Wire, run: Run) -> Json:
    await control.set_fault(run.state, "full", "busy")
    reply = await wire.ask("full", "stage", {"change": "c-b", "phase": 1})
    await control.set_fault(run.state, "full", "none")
    return reply


SCENARIOS: list[Scenario] = [
    malformed,
    expired,
    stale_epoch,
    unsupported,
    change_open,
    aborted,
    reverted,
    unknown_change,
    wrong_boot,
    wrong_revision,
    not_staged,
    committed,
    out_of_range,
    locked_slot,
    store_too_soon,
    not_live,
    busy,
]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.__name__)
async def test_refusal(scenario: Scenario, wire: Wire, run: Run) -> None:
    reply = await scenario(wire, run)
    assert reply["ok"] is False
    assert reply["refusal"]["code"] == scenario.__name__
    assert reply["refusal"]["text"]
    assert set(reply["result"]) == {"boot_id", "revision", "uptime_ms"}


def test_the_scenarios_are_the_codes_of_the_contract_in_its_order() -> None:
    table = CONTRACT.split("Refusal codes, checked in this order:")[1].split("## Discovery")[0]
    codes = re.findall(r"^\| `(\w+)` \|", table, flags=re.MULTILINE)
    assert [scenario.__name__ for scenario in SCENARIOS] == codes


def test_a_device_of_every_model_takes_part() -> None:
    assert all(f"model: {name}" in DEVICES for name in MODELS)
