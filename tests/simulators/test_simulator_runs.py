"""Running simulators as a whole: start, faults, power, panel, announcement, and a clean end."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from raw_wire import REPOSITORY, ROOT, Wire, controller, simulators, topic
from zeroconf import IPVersion, ServiceInfo, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from simulators import cli, control
from simulators.models import MODELS
from tests.brokers import embedded_broker, free_port

FILTERS = f"{ROOT}/devices/#"


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with embedded_broker(tmp_path_factory.mktemp("broker")) as opened:
        yield opened


def alive(pid: int) -> bool:
    """Whether a process still runs; one that only waits to be reaped does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


async def ended(pids: set[int]) -> None:
    async with asyncio.timeout(15):
        while any(map(alive, pids)):  # noqa: ASYNC110 - the ends of other processes' children can only be asked for
            await asyncio.sleep(0.02)


async def test_packed_devices_share_processes_and_lose_power_one_by_one(port: int) -> None:
    with simulators(port, "--count", "12", "--seed", "4", "--processes", "2", "--no-announce") as run:
        assert run.ready["devices"] == 12
        before = await control.list_devices(run.state)
        assert len({device["pid"] for device in before.values()}) == 2
        assert {name.split("-")[0] for name in before} == {model.prefix for model in MODELS.values()}
        name = next(iter(before))
        async with controller(port, filters=FILTERS) as wire:
            boot = (await wire.state(name))["boot_count"]
            await control.power_cut(run.state, [name], 0)
            assert (await wire.state(name))["boot_count"] == boot + 1
        after = await control.list_devices(run.state)
        assert {key: device["pid"] for key, device in after.items()} == {
            key: device["pid"] for key, device in before.items()
        }


async def test_the_same_seed_gives_the_same_devices(port: int) -> None:
    told = []
    for _ in range(2):
        with simulators(port, "--count", "1", "--seed", "8", "--no-announce"):
            async with controller(port, filters=FILTERS) as wire:
                told.append((await wire.state("rill-00001"))["outputs"])
    assert told[0] == told[1]


async def test_a_second_run_on_the_same_state_remembers(port: int, tmp_path: Path) -> None:
    counts, heard = [], []
    for level_db in ("-5", "-6"):
        with simulators(port, "--count", "6", "--no-announce", state=tmp_path):
            async with controller(port, filters=FILTERS) as wire:
                state = await wire.state("fenn-00006")
                counts.append(state["boot_count"])
                heard.append(state["outputs"][0]["level_db"])
                await control.press(tmp_path, "fenn-00006", {"set": {"level_db": float(level_db)}})
    assert counts == [1, 2]
    assert heard[1] == -5.0 != heard[0]


async def test_nothing_is_left_running_when_the_supervisor_is_killed(port: int, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "simulators", "--count", "3", "--processes", "3", "--no-announce"]
    process = await asyncio.create_subprocess_exec(
        *command, "--broker", f"127.0.0.1:{port}", "--state", str(tmp_path), cwd=REPOSITORY, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    ready = json.loads(await process.stdout.readline())
    pids = {device["pid"] for device in (await control.list_devices(Path(ready["state"]))).values()}
    assert len(pids) == 3
    process.kill()
    await process.wait()
    await ended(pids)


async def test_simulators_end_with_their_parent(port: int) -> None:
    words = ["-m", "simulators", "--count", "2", "--broker", f"127.0.0.1:{port}", "--no-announce"]
    parent = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        f"import subprocess, sys; subprocess.run([sys.executable, *{words!r}])",
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
    )
    assert parent.stdout is not None
    ready = json.loads(await parent.stdout.readline())
    pids = {device["pid"] for device in (await control.list_devices(Path(ready["state"]))).values()}
    parent.kill()
    await parent.wait()
    await ended({ready["pid"], *pids})


# Faults.


@asynccontextmanager
async def one(port: int, tmp_path: Path, *faults: str) -> AsyncIterator[tuple[Wire, Path]]:
    """One Fennbeck 12 named `box` with these faults, and a controller."""
    (tmp_path / "devices.yaml").write_text(
        'devices: [{id: box, model: Fennbeck 12, serial: S-1, firmware: "1", mac: "02:00:5e:00:00:01"}]',
        encoding="utf-8",
    )
    options = [word for fault in faults for word in ("--fault", fault)]
    with simulators(port, "--venue", str(tmp_path), "--no-announce", *options) as run:
        async with controller(port, filters=FILTERS) as wire:
            yield wire, run.state


async def test_replies_are_lost_doubled_and_late(port: int, tmp_path: Path) -> None:
    async with one(port, tmp_path, "box=lost_reply:1") as (wire, state):
        lost, heard = wire.message("get"), wire.message("get")
        await wire.send("box", lost)
        await wire.send("box", heard)
        await wire.replies(heard["id"])
        assert lost["id"] not in {reply["id"] for reply in wire.heard[f"{ROOT}/controllers/raw-1/replies"]}
        await wire.send("box", lost)
        assert (await wire.replies(lost["id"]))[0]["ok"]
        await control.set_fault(state, "box", "duplicate_reply")
        twice = wire.message("get")
        await wire.send("box", twice)
        assert len(await wire.replies(twice["id"], 2)) == 2
        await control.set_fault(state, "box", "none:duplicate_reply")
        now = await wire.do("box", "get")
        expect = {"boot_id": now["boot_id"], "revision": now["revision"]}
        await control.set_fault(state, "box", "slow:1500")
        deadline = now["uptime_ms"] + 60_000
        late = wire.message("stage", {"change": "c", "phase": 1}, expect=expect, deadline_uptime_ms=deadline)
        await wire.send("box", late)
        await wire.until(topic("box", "state"), lambda told: "change" in told)
        await control.set_fault(state, "box", "none")
        overtaking = wire.message("get")
        await wire.send("box", overtaking)
        await wire.replies(overtaking["id"])
        await wire.replies(late["id"])
        order = [reply["id"] for reply in wire.heard[f"{ROOT}/controllers/raw-1/replies"]]
        assert order.index(overtaking["id"]) < order.index(late["id"])


async def test_a_device_reboots_in_the_middle_of_a_commit(port: int, tmp_path: Path) -> None:
    async with one(port, tmp_path, "reboots_on_commit:2") as (wire, _):
        before = await wire.state("box")
        for phase in (1, 2):
            work = {"change": "c", "phase": phase, "settings": {"outputs": [{"output": 1, "level_db": -9}]}}
            await wire.do("box", "stage", work)
        await wire.do("box", "commit", {"change": "c", "phase": 1})
        now = await wire.do("box", "get")
        expect = {"boot_id": now["boot_id"], "revision": now["revision"]}
        deadline = now["uptime_ms"] + 60_000
        last = wire.message("commit", {"change": "c", "phase": 2}, expect=expect, deadline_uptime_ms=deadline)
        await wire.send("box", last)
        presence = topic("box", "presence")
        await wire.until(presence, lambda told: told["online"] and told["boot_id"] != before["boot_id"])
        after = await wire.state("box")
        assert after["outputs"] == before["outputs"]
        assert last["id"] not in {reply["id"] for reply in wire.heard[f"{ROOT}/controllers/raw-1/replies"]}


async def test_garbage_is_malformed_and_oversized(port: int, tmp_path: Path) -> None:
    async with one(port, tmp_path, "box=garbage") as (wire, _):
        told = await wire.until(topic("box", "state"), lambda told: isinstance(told, dict) and "padding" in told)
        assert len(told["padding"]) >= 65_536
        description = await wire.until(topic("box", "description"), lambda told: told["v"] == 1)
        assert not description["model"].isprintable()


async def test_an_offline_device_is_not_waited_for_and_can_come_back(port: int, tmp_path: Path) -> None:
    async with one(port, tmp_path, "box=offline") as (wire, state):
        assert (await control.list_devices(state))["box"]["connected"] is False
        await control.set_fault(state, "box", "none")
        assert (await wire.until(topic("box", "presence"), lambda told: told["online"]))["connection"] >= 1


async def test_a_hand_at_the_panel_is_told_within_the_state(port: int, tmp_path: Path) -> None:
    async with one(port, tmp_path) as (wire, state):
        words = ["panel", "--state", str(state), "box", "level", "-3.2"]
        assert await asyncio.to_thread(cli.main, words) == 0
        told = await wire.until(topic("box", "state"), lambda told: told["cause"] == "panel")
        assert (told["outputs"][0]["level_db"], told["revision"]) == (-3.0, 2)
        assert await asyncio.to_thread(cli.main, ["power-cut", "--state", str(state), "--off-s", "0", "box"]) == 0
        assert (await wire.state("box"))["outputs"][0]["level_db"] == -3.0
        assert await asyncio.to_thread(cli.main, ["fault", "--state", str(state), "box", "stuck_alarm_mute"]) == 0
        assert (await wire.state("box"))["outputs"][0]["mute_causes"] == ["alarm"]


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["panel", "--state", "{state}", "box", "level", "loud"], "'level loud' is not understood"),
        (["panel", "--state", "{state}", "box", "level", "99"], "level_db 99"),
        (["panel", "--state", "{state}", "--output", "2", "box", "mute"], "there is no output 2"),
        (["panel", "--state", "{state}", "nobody", "mute"], "no simulated device 'nobody'"),
        (["fault", "--state", "{state}", "box", "sulks"], "no fault 'sulks'"),
        (["power-cut", "--state", "{state}/elsewhere", "box"], "no simulators answer at"),
        (["--venue", "{state}", "--broker", "here"], "devices.yaml is missing"),
        (["--count", "1", "--broker", "127.0.0.1:1", "--state", "{state}"], "simulators already run on"),
        (["--count", "1", "--broker", "here"], "'here' is not HOST:PORT"),
        (["--count", "1", "--fault", "nobody=offline"], "no simulated device 'nobody'"),
    ],
)
async def test_a_mistaken_order_is_answered_in_a_sentence(
    port: int, tmp_path: Path, words: list[str], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    async with one(port, tmp_path) as (_, state):
        filled = [word.format(state=state) for word in words]
        assert await asyncio.to_thread(cli.main, filled) == 2
    assert complaint in capsys.readouterr().err


# mDNS, over loopback.


async def resolved(browsing: AsyncZeroconf, names: set[str]) -> dict[str, AsyncServiceInfo]:
    """The announcements of these devices once all are seen."""
    seen: asyncio.Queue[str] = asyncio.Queue()

    def on_change(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is ServiceStateChange.Added:
            seen.put_nowait(name)

    browser = AsyncServiceBrowser(browsing.zeroconf, "_loudspeaker._tcp.local.", handlers=[on_change])
    found: dict[str, AsyncServiceInfo] = {}
    async with asyncio.timeout(20):
        while set(found) < names:
            name = await seen.get()
            info = AsyncServiceInfo("_loudspeaker._tcp.local.", name)
            while not await info.async_request(browsing.zeroconf, 1_000):
                pass
            found[name.split(".")[0]] = info
    await browser.async_cancel()
    return found


def announced_broker(port: int, root: str) -> ServiceInfo:
    return ServiceInfo(
        "_mqtt._tcp.local.",
        f"simulators-test-{port}._mqtt._tcp.local.",
        addresses=[b"\x7f\x00\x00\x01"],
        port=port,
        properties={"txtvers": "1", "root": root},
        server=f"simulators-test-{port}.local.",
    )


@asynccontextmanager
async def looking_for_a_broker(count: int, root: str) -> AsyncIterator[set[str]]:
    """The names of simulated devices that find their broker by mDNS."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "simulators", "--count", str(count), "--root", root),
        cwd=REPOSITORY,
        stdout=asyncio.subprocess.PIPE,
    )
    try:
        assert process.stdout is not None
        ready = json.loads(await process.stdout.readline())
        yield set(await control.list_devices(Path(ready["state"])))
    finally:
        process.terminate()
        await process.wait()


async def test_devices_that_go_to_another_broker_are_announced_with_its_port(port: int, tmp_path: Path) -> None:
    """As when a daemon comes back and its own broker has another port than before."""
    root = f"venue-{os.getpid()}-{free_port()}/v1"
    browsing = AsyncZeroconf(interfaces=["127.0.0.1"], ip_version=IPVersion.V4Only)
    try:
        with embedded_broker(tmp_path) as first:
            await browsing.async_register_service(announced_broker(first, root), cooperating_responders=True)
            async with looking_for_a_broker(2, root) as names:
                ports = {one.port for one in (await resolved(browsing, names)).values()}
                assert ports == {first}
                await browsing.async_register_service(announced_broker(port, root), cooperating_responders=True)
                async with asyncio.timeout(20):
                    while ports != {port}:
                        await asyncio.sleep(0.2)
                        ports = {one.port for one in (await resolved(browsing, names)).values()}
    finally:
        await browsing.async_close()


async def test_devices_are_announced_and_find_the_announced_broker_of_their_root(port: int) -> None:
    """Another daemon's broker is on the network, too: whoever went there would be missing here."""
    root = f"venue-{os.getpid()}-{free_port()}/v1"
    browsing = AsyncZeroconf(interfaces=["127.0.0.1"], ip_version=IPVersion.V4Only)
    for service in (announced_broker(free_port(), f"{root}/other"), announced_broker(port, root)):
        await browsing.async_register_service(service, cooperating_responders=True)
    try:
        async with (
            looking_for_a_broker(6, root) as names,
            controller(port, filters=f"{root}/devices/+/+/presence") as wire,
        ):
            found = await resolved(browsing, names)
            shards = [key.replace(ROOT, root) for key in (topic(name, "presence") for name in names)]
            assert all([(await wire.until(key, lambda told: told["online"]))["v"] == 1 for key in shards])
    finally:
        await browsing.async_close()
    told = found["fenn-00006"] if "fenn-00006" in found else found[next(name for name in found if "fenn" in name)]
    properties = told.decoded_properties
    assert told.port == port
    assert properties == {
        "txtvers": "1",
        "id": told.name.split(".")[0],
        "model": "Fennbeck 12",
        "fw": MODELS["Fennbeck 12"].firmware,
        "link": "mqtt",
    }
