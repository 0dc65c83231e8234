"""The daemon's own command, and the demo."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from fleet.faces.cli import configuration, options, show
from fleet.faces.cli.daemon_config import LogFormat, LogLevel, RunDaemon
from fleet.faces.cli.demo import run_demo
from fleet.faces.cli.options import ConfigFile, Home, Json
from fleet.faces.cli.unit import UnitKind, unit


def daemon_command(run: RunDaemon) -> Callable[..., None]:
    """The `daemon` command over this wiring."""

    def daemon(
        context: typer.Context,
        venue: Annotated[
            Path | None,
            typer.Option("--venue", help="Load this venue folder, again whenever it changes.", show_default=False),
        ] = None,
        broker: Annotated[
            str, typer.Option("--broker", help="mqtt://HOST:PORT, mqtts:// with TLS, `embedded`, or `find` (by mDNS).")
        ] = "embedded",
        broker_ca: Annotated[
            Path | None,
            typer.Option(
                "--broker-ca",
                metavar="FILE",
                help="Certificates (PEM) to trust for mqtts://, instead of the system's.",
                show_default=False,
            ),
        ] = None,
        root: Annotated[str, typer.Option("--root", help="The topic root of the devices.")] = "loudspeakers/v1",
        database: Annotated[
            str, typer.Option("--database", help="sqlite:///FILE or postgresql://…", show_default="SQLite in --home")
        ] = "",
        interfaces: Annotated[
            list[str] | None,
            typer.Option(
                "--interface", metavar="ADDRESS", help="Browse mDNS on this address; repeatable.", show_default="all"
            ),
        ] = None,
        addresses: Annotated[
            Path | None,
            typer.Option("--addresses", help="A list of devices that mDNS does not reach.", show_default=False),
        ] = None,
        port: Annotated[int, typer.Option("--port", help="The API's port; 0 takes a free one.")] = 0,
        bind: Annotated[
            str,
            typer.Option(
                "--bind",
                metavar="ADDRESS",
                help="The API's address. One that other machines reach demands TLS and an access token.",
            ),
        ] = "127.0.0.1",
        log_format: Annotated[
            LogFormat, typer.Option("--log-format", help="How log lines on stderr are written.")
        ] = "text",
        log_level: Annotated[LogLevel, typer.Option("--log-level", help="The least that is logged.")] = "info",
        open_metrics: Annotated[
            bool, typer.Option("--open-metrics", help="Serve /metrics without the token, to all of this machine.")
        ] = False,
        print_unit: Annotated[
            UnitKind | None,
            typer.Option("--print-unit", help="Print a systemd unit with these options, and stop.", show_default=False),
        ] = None,
        config: ConfigFile = None,
        home: Home = None,
    ) -> None:
        """Run the daemon. It finds devices, keeps the inventory and serves the commands.

        Each option is also a setting of the environment and of config.toml; `fleet config` shows those in force.

        Example: fleet daemon --venue venue/ --broker mqtt://127.0.0.1:1883
        """
        given = {name: context.params[name] for name in configuration.names() if name in _typed(context)}
        at = options.here(home, "daemon")
        settled = configuration.settle(at, given, config)
        if print_unit:
            _print_unit(print_unit, context, home, config)
        else:
            run(configuration.daemon_config(at, settled))

    return daemon


def _typed(context: typer.Context) -> frozenset[str]:
    """Names of the parameters that stand on the command line."""
    sources = {name: context.get_parameter_source(name) for name in context.params}
    return frozenset(name for name, source in sources.items() if source is not None and source.name == "COMMANDLINE")


def _print_unit(kind: UnitKind, context: typer.Context, home: Path | None, config: Path | None) -> None:
    words = list[str]()
    for parameter in context.command.params:
        name, option = parameter.name or "", parameter.opts[0]
        if name not in _typed(context) or name not in configuration.names():
            continue
        value = context.params[name]
        values = [
            str(v.absolute() if isinstance(v, Path) else v) for v in (value if isinstance(value, list) else [value])
        ]
        words += [option] if isinstance(value, bool) else [word for v in values for word in (option, v)]
    if config is not None:
        words += ["--config", str(config.absolute())]
    sys.stdout.write(unit(kind, sys.executable, home, _owner(home), words))
    where = "/etc/systemd/system" if kind == "system" else "~/.config/systemd/user"
    manager = "systemctl" if kind == "system" else "systemctl --user"
    show.tell(f"Save it as {where}/fleet.service; then: {manager} daemon-reload; {manager} enable --now fleet")


def _owner(home: Path | None) -> str:
    try:
        return home.owner() if home is not None else options.who()
    except (OSError, KeyError):
        return options.who()


def demo(
    stay: Annotated[bool, typer.Option("--stay", help="Keep everything running at the end, to try things.")] = False,
    json: Json = False,
) -> None:
    """Run the whole job on simulated loudspeakers. It finds, compares, applies, rolls back, recalls, takes a snapshot.

    Example: fleet demo --stay
    """
    options.end(run_demo(stay=stay, json=json))
