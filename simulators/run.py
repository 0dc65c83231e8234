"""One run of simulators, from the first process to the last: forks, finds the broker, announces, ends clean."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import sys
import tempfile
from collections.abc import Sequence
from contextlib import AsyncExitStack, ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from .control import SOCKET
from .faults import Faults
from .forker import Forker
from .population import Simulated
from .supervisor import Supervisor
from .topics import Broker

_PARENT_WATCH_S = 0.3
_LONGEST_SOCKET_PATH = 100


@dataclass(frozen=True, slots=True)
class Plan:
    """What to run. Without a broker one is looked for by mDNS, of this root or any; without an interface nothing is
    announced.
    """

    devices: tuple[Simulated, ...]
    processes: int | None
    faults: dict[str, Faults]
    broker: Broker | None
    root: str | None
    interface: str | None
    state: Path | None


def run(plan: Plan) -> None:
    """Run until SIGTERM, SIGINT or the end of the parent process; then nothing is left running."""
    parent = os.getppid()
    with ExitStack() as stack:
        state = plan.state or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="simulators-")))
        control = _control_socket(state)
        stack.callback(control.unlink, missing_ok=True)
        crews = _crews(plan.devices, plan.processes)
        # Before any event loop or thread: a fork of either would not be sound.
        forker = Forker(control, crews)
        stack.callback(forker.stop)
        asyncio.run(_supervise(plan, crews, forker, control, parent))


def _control_socket(state: Path) -> Path:
    state.mkdir(parents=True, exist_ok=True)
    control = state.absolute() / SOCKET
    if len(str(control)) > _LONGEST_SOCKET_PATH:
        raise ValueError(f"{state} is too long a path for a control socket; name a shorter --state")
    with socket.socket(socket.AF_UNIX) as probe:
        if probe.connect_ex(str(control)) == 0:
            raise ValueError(f"simulators already run on {state}; name another --state, or end them")
    control.unlink(missing_ok=True)
    return control


def _crews(devices: Sequence[Simulated], processes: int | None) -> list[Sequence[Simulated]]:
    """The devices of each process; a process for each device where no number is given."""
    count = min(processes or len(devices), len(devices))
    return [devices[number::count] for number in range(count)]


async def _supervise(plan: Plan, crews: list[Sequence[Simulated]], forker: Forker, control: Path, parent: int) -> None:
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended.set)
    watch = asyncio.create_task(_end_with_parent(parent, ended), name="parent watch")
    work = asyncio.create_task(_work(plan, crews, forker, control), name="simulators")
    end = asyncio.create_task(ended.wait(), name="end")
    await asyncio.wait({work, end}, return_when=asyncio.FIRST_COMPLETED)
    for task in (watch, end):
        task.cancel()
    if not work.done():
        work.cancel()
    with suppress(asyncio.CancelledError):
        await work


async def _work(plan: Plan, crews: list[Sequence[Simulated]], forker: Forker, control: Path) -> None:
    async with AsyncExitStack() as stack:
        found: asyncio.Queue[Broker] = asyncio.Queue()
        network = None
        if plan.interface:
            # Imported after the fork: the device processes have no use for it.
            from .announce import Network  # noqa: PLC0415

            network = Network(plan.interface)
            stack.push_async_callback(network.close)
            if plan.broker is None:
                network.watch_brokers(found.put_nowait, plan.root)
                sys.stderr.write("looking for a broker announced as _mqtt._tcp\n")
        broker = plan.broker or await found.get()
        supervisor = Supervisor(crews, plan.faults, forker, broker)
        server = await asyncio.start_unix_server(supervisor.serve, control)
        stack.callback(server.close)
        await supervisor.power_up()
        if network:
            await network.announce(plan.devices, broker.port)
        ready = {"ready": True, "devices": len(plan.devices), "state": str(control.parent), "pid": os.getpid()}
        sys.stdout.write(json.dumps(ready) + "\n")
        sys.stdout.flush()
        while True:
            broker = await found.get()
            supervisor.move_to(broker)
            if network:
                await network.announce_anew(plan.devices, broker.port)


async def _end_with_parent(parent: int, ended: asyncio.Event) -> None:
    while os.getppid() == parent:  # noqa: ASYNC110 - the kernel offers no event for it that a thread does not spoil
        await asyncio.sleep(_PARENT_WATCH_S)
    ended.set()
