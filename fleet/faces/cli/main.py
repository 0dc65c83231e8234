"""The command line put together, and the one place where errors become sentences and exit code 2."""

from __future__ import annotations

import io
import os
import sys
import traceback
from typing import Annotated, Any

import typer

from fleet import __version__
from fleet.errors import FleetError
from fleet.faces.cli import (
    commands_access,
    commands_agree,
    commands_audit,
    commands_backup,
    commands_begun,
    commands_binding,
    commands_capture,
    commands_changes,
    commands_daemon,
    commands_devices,
    commands_guest,
    commands_handover,
    commands_history,
    commands_import,
    commands_labels,
    commands_level,
    commands_mute,
    commands_notices,
    commands_power,
    commands_self_check,
    commands_sign_in,
    commands_snapshots,
    commands_swap,
    commands_takeover,
    commands_upkeep,
    commands_venue,
    commands_walk,
)
from fleet.faces.cli.calc import calc
from fleet.faces.cli.daemon_config import RunDaemon
from fleet.faces.cli.options import DIFFERS, TROUBLE
from fleet.faces.cli.show import tell
from fleet.faces.secrets import without_secrets

COMMANDS = (
    commands_daemon.demo,
    commands_venue.load,
    commands_devices.devices,
    commands_devices.accept,
    commands_venue.rooms,
    commands_handover.room,
    commands_handover.handover,
    commands_venue.check,
    commands_venue.diff,
    commands_venue.hold,
    commands_venue.release,
    commands_guest.guest,
    commands_agree.agree,
    commands_changes.apply,
    commands_begun.changes,
    commands_begun.keep,
    commands_begun.cancel,
    commands_changes.rollback,
    commands_changes.store,
    commands_changes.recall,
    commands_history.history,
    commands_level.level,
    commands_mute.mute,
    commands_mute.unmute,
    commands_power.restart,
    commands_devices.identify,
    commands_capture.capture,
    commands_capture.files,
    commands_import.import_,
    commands_labels.labels,
    commands_binding.bind,
    commands_binding.unbind,
    commands_swap.swap,
    commands_walk.walk,
    commands_takeover.take_over,
    commands_self_check.self_check,
    commands_notices.notices,
    commands_notices.watch,
    commands_upkeep.log,
    commands_upkeep.config,
    commands_sign_in.sign_in,
    commands_sign_in.sign_out,
    commands_backup.backup,
    commands_backup.restore,
)

BadUsage: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")
"""What a mistyped command raises; typer does not export the class."""
INTERRUPTED = 130
"""What typer makes of an interrupt."""


def build_cli(run_daemon: RunDaemon) -> typer.Typer:
    """All commands, the daemon's over this wiring."""
    cli = typer.Typer(
        name="fleet",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=True,
        rich_markup_mode=None,
    )
    cli.callback()(_options)
    cli.command("daemon")(commands_daemon.daemon_command(run_daemon))
    for command in COMMANDS:
        settings = commands_level.TAKES_SIGNED_NUMBERS if command is commands_level.level else None
        cli.command(command.__name__.rstrip("_").replace("_", "-"), context_settings=settings)(command)
    cli.add_typer(commands_snapshots.snapshot, name="snapshot")
    cli.add_typer(commands_audit.audit, name="audit")
    cli.add_typer(commands_access.access, name="access")
    cli.add_typer(calc, name="calc")
    return cli


def run_cli(run_daemon: RunDaemon) -> None:
    """Run the command line and exit: 0 same or done, 1 differs, 2 trouble. No traceback reaches a user."""
    try:
        code = build_cli(run_daemon)(prog_name="fleet", standalone_mode=False)
        sys.stdout.flush()
    except BadUsage as error:
        _show_usage(error)
        sys.exit(TROUBLE)
    except SystemExit as ended:  # typer's own: completion, or 1 where nobody reads the output any more
        sys.exit(TROUBLE if ended.code == DIFFERS else ended.code)
    except FleetError as error:
        for number, line in enumerate(str(error).splitlines()):
            tell(line if number else f"fleet: {line}")
        sys.exit(TROUBLE)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(TROUBLE)
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    except Exception as error:  # noqa: BLE001  # the last resort: no trace reaches a user unasked
        tell(without_secrets(f"fleet: a fault of this program: {type(error).__name__}: {error}"))
        if os.environ.get("FLEET_DEBUG"):
            for line in without_secrets("".join(traceback.format_exception(error))).splitlines():
                tell(line)
            sys.exit(TROUBLE)
        tell("Run it again with FLEET_DEBUG=1 and report what it prints.")
        sys.exit(TROUBLE)
    if code == INTERRUPTED:
        tell("fleet: stopped")
        code = TROUBLE
    sys.exit(code)


def _show_usage(error: Any) -> None:
    """What was mistyped. Whatever was typed there is shown as text, and nothing else."""
    told = io.StringIO()
    error.show(file=told)
    for line in without_secrets(told.getvalue()).splitlines():
        tell(line)


def _say_version(asked: bool) -> None:
    if asked:
        sys.stdout.write(f"fleet {__version__}\n")
        raise typer.Exit


def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", is_eager=True, callback=_say_version)
    ] = False,
) -> None:
    """Keep a venue's networked loudspeakers at their desired state."""
