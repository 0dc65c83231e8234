"""The daemon's own command, and the demo."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from fleet.faces.cli import options
from fleet.faces.cli.client import default_home
from fleet.faces.cli.daemon_config import DaemonConfig, RunDaemon
from fleet.faces.cli.demo import run_demo
from fleet.faces.cli.options import Home, Json

Existing = typer.Option(exists=True, show_default=False)


def daemon_command(run: RunDaemon) -> Callable[..., None]:
    """The `daemon` command over this wiring."""

    def daemon(
        venue: Annotated[
            Path | None,
            typer.Option("--venue", help="Load this venue folder, again whenever it changes.", show_default=False),
        ] = None,
        broker: Annotated[
            str, typer.Option("--broker", help="mqtt://HOST:PORT, `embedded`, or `find` (by mDNS).")
        ] = "embedded",
        root: Annotated[str, typer.Option("--root", help="The topic root of the devices.")] = "loudspeakers/v1",
        database: Annotated[
            str, typer.Option("--database", help="sqlite:///FILE or postgresql://…", show_default="SQLite in --home")
        ] = "",
        interface: Annotated[
            list[str] | None,
            typer.Option(
                "--interface", metavar="ADDRESS", help="Browse mDNS on this address; repeatable.", show_default="all"
            ),
        ] = None,
        addresses: Annotated[
            Path | None,
            typer.Option("--addresses", help="A list of devices that mDNS does not reach.", show_default=False),
        ] = None,
        port: Annotated[int, typer.Option("--port", help="The API's port on 127.0.0.1; 0 takes a free one.")] = 0,
        home: Home = None,
    ) -> None:
        """Run the daemon. It finds devices, keeps the inventory and serves the commands.

        Example: fleet daemon --venue venue/ --broker mqtt://127.0.0.1:1883
        """
        run(
            DaemonConfig(
                home=home or default_home(),
                venue=venue,
                broker=broker,
                root=root,
                database=database,
                interfaces=tuple(interface or ()),
                addresses=addresses,
                port=port,
            )
        )

    return daemon


def demo(
    stay: Annotated[bool, typer.Option("--stay", help="Keep everything running at the end, to try things.")] = False,
    json: Json = False,
) -> None:
    """Run the whole job on simulated loudspeakers. It finds, compares, applies, rolls back, recalls, takes a snapshot.

    Example: fleet demo --stay
    """
    options.end(run_demo(stay=stay, json=json))
