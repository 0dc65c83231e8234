"""Giving orders to running simulators, from another process: power cuts, hands on the panel, faults."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable
from pathlib import Path

from .abilities import Json

SOCKET = "control.sock"


async def power_cut(state: Path, devices: Iterable[str], off_s: float = 0.5) -> None:
    """Take the power from the devices at once, give it back, and wait until they are connected again."""
    await order(state, {"do": "power_cut", "devices": list(devices), "off_s": off_s})


async def press(state: Path, device: str, event: Json) -> None:
    """Do at the device what `panel.press` describes; ValueError where the device does not let it be done."""
    await order(state, {"do": "press", "device": device, "press": event})


async def set_fault(state: Path, device: str, fault: str) -> None:
    """Set `KIND[:ARGUMENT]`; `none` clears all faults of the device and `none:KIND` one."""
    await order(state, {"do": "fault", "device": device, "fault": fault})


async def list_devices(state: Path) -> dict[str, Json]:
    """Every simulated device by id: `pid` (`None` without power), `connected`, `faults`."""
    answer = await order(state, {"do": "list"})
    devices: dict[str, Json] = answer["devices"]
    return devices


async def order(state: Path, message: Json) -> Json:
    """Give one order of the supervisor's JSON lines; ValueError says why it was not done."""
    try:
        # Long, since a list of thousands of devices is one line.
        reader, writer = await asyncio.open_unix_connection(state / SOCKET, limit=2**24)
    except OSError as error:
        raise ValueError(f"no simulators answer at {state}: {error.strerror}; is --state that of the run?") from error
    try:
        writer.write(json.dumps(message).encode() + b"\n")
        line = await reader.readline()
    finally:
        writer.close()
    if not line:
        raise ValueError("the simulators ended before they answered")
    answer: Json = json.loads(line)
    if not answer["ok"]:
        raise ValueError(answer["error"])
    return answer
