"""Commands of devices: devices, accept, identify."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from fleet.faces.cli import completing, options, show, show_device, watching
from fleet.faces.cli.client import path
from fleet.faces.cli.options import Home, Json
from fleet.model.inventory import DeviceStatus, SortKey

DeviceId = Annotated[str, typer.Argument(metavar="DEVICE", help="The device's id.", autocompletion=completing.devices)]


def devices(
    device: Annotated[
        str | None,
        typer.Argument(
            metavar="DEVICE", help="One device, in full.", show_default=False, autocompletion=completing.devices
        ),
    ] = None,
    room: Annotated[
        str | None,
        typer.Option("--room", metavar="ROOM", help="With a position in this room.", autocompletion=completing.rooms),
    ] = None,
    model: Annotated[str | None, typer.Option("--model", metavar="MODEL", help="Of this model.")] = None,
    firmware: Annotated[str | None, typer.Option("--firmware", metavar="TEXT", help="With this firmware.")] = None,
    status: Annotated[
        list[DeviceStatus] | None, typer.Option("--status", help="With this status; repeatable.", show_default=False)
    ] = None,
    not_bound: Annotated[bool, typer.Option("--not-bound", help="With no position.")] = False,
    edited: Annotated[
        bool, typer.Option("--edited", help="Whose live settings are not the active slot's contents.")
    ] = False,
    unhealthy: Annotated[bool, typer.Option("--unhealthy", help="That tell a fault.")] = False,
    circuit: Annotated[str | None, typer.Option("--circuit", metavar="TEXT", help="On this mains circuit.")] = None,
    switch_port: Annotated[
        str | None, typer.Option("--switch-port", metavar="TEXT", help="On this switch port.")
    ] = None,
    sort: Annotated[SortKey, typer.Option("--sort", help="In this order; last seen, the latest first.")] = "id",
    watch: Annotated[bool, typer.Option("--watch", help="Show what changes until stopped by Ctrl-C.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the devices, or show one in full. Listed is who was seen, and whom a position names.

    Conditions can be combined: all must hold. Where the output is no terminal, --watch prints a line for each change
    of a status.

    Example: fleet devices --room weir-hall --status missing --sort room
    """
    asked: dict[str, Any] = {
        "room": room,
        "model": model,
        "firmware": firmware,
        "circuit": circuit,
        "switch_port": switch_port,
        "status": [one.value for one in status or []],
        "sort": sort,
        "not_bound": not_bound,
        "edited": edited,
        "unhealthy": unhealthy,
    }
    if device and (watch or any(asked[name] for name in asked if name != "sort")):
        raise typer.BadParameter("one device is shown in full; conditions and --watch are for the list")
    if watch and json:
        raise typer.BadParameter("--watch has no end, and --json is one document; take one of them")
    daemon = options.daemon(home)
    if watch:
        watching.watch(lambda: daemon.every("/devices", "devices", **asked), daemon.clock())
        return
    document = daemon.get(path("devices", device)) if device else daemon.every("/devices", "devices", **asked)
    if json:
        options.print_json(document)
    elif device:
        show_device.device(document, daemon.clock())
    else:
        show.devices(document, daemon.clock())


def accept(device: DeviceId, home: Home = None, json: Json = False) -> None:
    """Vouch for a conflicting device. What it reports now is its identity from here on.

    Example: fleet accept box-0412
    """
    document = options.daemon(home).post(path("devices", device, "accept"), {"who": options.who()})
    if json:
        options.print_json(document)
    else:
        show.say(f"{document['id']} (serial {document['serial']}) is accepted: {document['status']}")


def identify(
    device: DeviceId,
    seconds: Annotated[int, typer.Option("--seconds", min=1, max=60, help="For how long.")] = 10,
    home: Home = None,
    json: Json = False,
) -> None:
    """Let a device blink, to find it in the room.

    Example: fleet identify box-0412 --seconds 30
    """
    document = options.daemon(home).post(path("devices", device, "identify"), {"seconds": seconds})
    if json:
        options.print_json(document)
    else:
        show.say(f"{device} blinks for {seconds} s")
