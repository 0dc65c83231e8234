"""The entry point. Only the daemon wires concrete parts together (`fleet.app.wiring`); commands stay quick without."""

from __future__ import annotations

import gc

from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.faces.cli.main import run_cli


def main() -> None:
    """The `fleet` command."""
    run_cli(run_daemon)


def run_daemon(config: DaemonConfig) -> None:
    """Run a daemon until SIGINT or SIGTERM. Raises `FleetError` where it cannot start."""
    gc.disable()  # what is imported stays, and is not looked through for garbage again and again
    from fleet.app.wiring import run  # noqa: PLC0415  # a second of imports that no other command needs

    gc.freeze()
    gc.enable()
    run(config)
