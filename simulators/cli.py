"""The command line of the simulators: run them, or give orders to those that run."""

from __future__ import annotations

import argparse
import asyncio
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

from . import control
from .faults import KINDS, Faults
from .gestures import GESTURES, gesture
from .population import Simulated, at_random, from_venue
from .run import Plan, run
from .topics import DEFAULT_ROOT, Broker

_TROUBLE = 2
_DEMO_VENUE = Path(__file__).parent / "venue"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; 0 when done, 2 with a sentence on stderr when not."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    commands = {"power-cut": _power_cut, "panel": _panel, "fault": _fault}
    command = commands.get(words[0]) if words else None
    try:
        if command:
            command(words[1:])
        else:
            _run(words)
    except ValueError as error:
        sys.stderr.write(f"{error}\n")
        return _TROUBLE
    return 0


def _run(words: list[str]) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m simulators",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Simulated loudspeakers and amplifiers on MQTT. They run until SIGTERM or Ctrl-C.\n"
        "Commands for running simulators: power-cut, panel, fault (each with --help).",
        epilog=f"faults:\n{_kinds()}",
    )
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--venue", type=Path, metavar="FOLDER", help="the devices of FOLDER/devices.yaml (the demo's)")
    who.add_argument("--count", type=int, metavar="N", help="N random devices over all models")
    parser.add_argument("--seed", type=int, default=1, help="of the random devices (1)")
    parser.add_argument("--processes", type=int, metavar="N", help="pack the devices into N processes (one each; 2)")
    parser.add_argument("--broker", metavar="HOST:PORT", help="else one announced as _mqtt._tcp is looked for")
    parser.add_argument("--root", help=f"topic root ({DEFAULT_ROOT} with --broker, else any that is announced)")
    parser.add_argument("--interface", default="127.0.0.1", metavar="ADDRESS", help="for mDNS (%(default)s)")
    parser.add_argument("--no-announce", action="store_true", help="no mDNS at all; needs --broker")
    parser.add_argument("--state", type=Path, metavar="DIR", help="non-volatile memory and control socket (a new one)")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="[DEVICE=]KIND[:ARG]",
        help="of one device or of all; repeatable",
    )
    asked = parser.parse_args(words)
    if asked.no_announce and not asked.broker:
        parser.error("--no-announce needs --broker")
    if asked.count is not None and asked.count < 1:
        parser.error("--count is at least 1")
    devices = at_random(asked.count, asked.seed) if asked.count else from_venue(asked.venue or _DEMO_VENUE)
    run(
        Plan(
            devices=devices,
            processes=asked.processes or (2 if asked.count else None),
            faults=_faults(devices, asked.fault),
            broker=Broker.parse(asked.broker, asked.root or DEFAULT_ROOT) if asked.broker else None,
            root=asked.root,
            interface=None if asked.no_announce else asked.interface,
            state=asked.state,
        )
    )


def _faults(devices: Sequence[Simulated], texts: Sequence[str]) -> dict[str, Faults]:
    faults = {device.identity.device: Faults() for device in devices}
    for text in texts:
        device, named, kind = text.partition("=")
        if named and device not in faults:
            raise ValueError(f"--fault {text}: there is no simulated device {device!r}")
        for own in [faults[device]] if named else faults.values():
            own.set(kind if named else text)
    return faults


def _power_cut(words: list[str]) -> None:
    parser = _order_parser("power-cut", "Take the power from devices, and give it back.")
    parser.add_argument("--off-s", type=float, default=0.5, metavar="SECONDS", help="without power (%(default)s)")
    parser.add_argument("devices", nargs="+", metavar="DEVICE")
    asked = parser.parse_args(words)
    asyncio.run(control.power_cut(asked.state, asked.devices, asked.off_s))


def _panel(words: list[str]) -> None:
    gestures = "\n".join(f"  {form}" for form in GESTURES)
    parser = _order_parser("panel", "Do what a hand at the device or a contact does.", epilog=f"actions:\n{gestures}")
    parser.add_argument("--output", type=int, metavar="N", help="one output (all)")
    parser.add_argument("device", metavar="DEVICE")
    parser.add_argument("action", metavar="ACTION")
    parser.add_argument("values", nargs="*", metavar="VALUE")
    asked = parser.parse_args(words)
    asyncio.run(control.press(asked.state, asked.device, gesture(asked.action, asked.values, asked.output)))


def _fault(words: list[str]) -> None:
    parser = _order_parser("fault", "Set a fault of a running device.", epilog=f"kinds:\n{_kinds()}")
    parser.add_argument("device", metavar="DEVICE")
    parser.add_argument("kind", metavar="KIND[:ARG]", help="none clears all, none:KIND one")
    asked = parser.parse_args(words)
    asyncio.run(control.set_fault(asked.state, asked.device, asked.kind))


def _kinds() -> str:
    """The faults and what each does, at most 80 columns wide."""
    indent = " " * 24
    return "\n".join(
        textwrap.fill(meaning, 80, initial_indent=f"  {kind:22}", subsequent_indent=indent, break_on_hyphens=False)
        for kind, meaning in KINDS.items()
    )


def _order_parser(name: str, description: str, epilog: str | None = None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=f"python -m simulators {name}",
        description=description,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--state", type=Path, required=True, metavar="DIR", help="the --state of the run")
    return parser
