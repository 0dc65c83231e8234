"""Commands of devices: devices, accept, identify."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import path
from fleet.faces.cli.options import Home, Json

DeviceId = Annotated[str, typer.Argument(help="The device's id.", autocompletion=completing.devices)]


def devices(
    device: Annotated[
        str | None,
        typer.Argument(help="One device, in full.", show_default=False, autocompletion=completing.devices),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the devices, or show one in full. Listed is who was seen, and whom a position names.

    Example: fleet devices
    """
    document = options.daemon(home).get(path("devices", device) if device else "/devices")
    if json:
        options.print_json(document)
    elif device:
        show.device(document)
    else:
        show.devices(document)


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
