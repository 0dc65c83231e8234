"""The command self-check: what is wrong with the installation, and how to mend it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from fleet import __version__
from fleet.discovery.broker_address import BrokerAddress
from fleet.errors import BadInput, FleetError, NoDaemon
from fleet.faces.cli import options, show
from fleet.faces.cli.client import START_ONE, Daemon, find
from fleet.faces.cli.clock import NO_VENUE
from fleet.faces.cli.configuration import InForce, settle
from fleet.faces.cli.options import DIFFERS, SAME, TROUBLE, ConfigFile, Home, Json
from fleet.faces.cli.understanding import NotUnderstood
from fleet.faces.documents import Document
from fleet.faces.notices.checks import check_delivery, check_receivers
from fleet.faces.secrets import HIDDEN
from fleet.services.self_check.result import Result, State, not_checked, ok, trouble, warning

if TYPE_CHECKING:
    from fleet.services.self_check.checking import Subject

FIND_WITHIN_S = 3.0
MOST_NAMED = 5
PRIVATE = "its password is in the environment of the daemon alone"


def self_check(config: ConfigFile = None, home: Home = None, json: Json = False) -> None:
    """Tell what is wrong with the installation, and how to mend it. It needs no daemon, and looks at one that runs.

    Exit code 0: all is well; 1: something was not checked, or is worth a look; 2: trouble.

    Example: fleet self-check
    """
    at = options.here(home, "self-check")
    results = _results(at, config)
    states = {r.state for r in results}
    code = TROUBLE if State.TROUBLE in states else SAME if states <= {State.OK} else DIFFERS
    if json:
        rows = [{"check": r.check, "state": r.state.value, "words": r.words, "remedy": r.remedy} for r in results]
        options.print_json({"format": "fleet-self-check/1", "well": code == SAME, "checks": rows})
    else:
        for result in results:
            words = result.words if result.words.endswith((".", "?")) or not result.remedy else f"{result.words}."
            show.table([(f"{result.state.value:<11}", f"{result.check}: {words} {result.remedy}".strip())])
    options.end(code)


def _results(home: Path, config: Path | None) -> list[Result]:
    """Everything; without settings, only the daemon can be looked at."""
    daemon, answers = _daemon(home)
    try:
        settled = settle(home, {}, config)
        about = ok("configuration", "it can be read")
    except BadInput as error:
        first, *more = str(error).splitlines()
        words = f"{first}{f' (and {len(more)} more: `fleet config`)' if more else ''}"
        return [trouble("configuration", words, "Put it right."), *answers]
    settings: Document = {s.name: s.value for s in settled}
    settings |= _known_to(daemon, settled)
    receivers = check_receivers(settings["notices"])
    now = datetime.now((NO_VENUE if daemon is None else daemon.clock()).zone)
    certificate = _certificate(settings, now)
    return [about, *asyncio.run(_all(home, settings, daemon, now)), *certificate, *receivers, *answers]


def _certificate(settings: Document, now: datetime) -> list[Result]:
    from fleet.faces.certificate_check import check_certificate  # noqa: PLC0415  # brings cryptography

    files = settings["tls_certificate"], settings["tls_key"]
    return check_certificate(settings["bind"], *files, now)


async def _all(home: Path, settings: Document, daemon: Daemon | None, now: datetime) -> list[Result]:
    from fleet.services.self_check.checking import check_all  # noqa: PLC0415  # other commands need no database

    logging.getLogger("mqtt").setLevel(logging.CRITICAL)
    return await check_all(await _subject(home, settings, daemon), now)


async def _subject(home: Path, settings: Document, daemon: Daemon | None) -> Subject:
    from fleet.services.self_check.checking import Subject  # noqa: PLC0415  # as above

    broker, why = await _broker(settings, daemon)
    return Subject(
        home=home,
        database="" if HIDDEN in settings["database"] else settings["database"] or f"sqlite:///{home}/fleet.db",
        no_database=PRIVATE,
        broker=broker,
        no_broker=why,
        root=settings["root"],
        interfaces=settings["interfaces"],
        least_free_mb=settings["least_free_mb"],
    )


async def _broker(settings: Document, daemon: Daemon | None) -> tuple[BrokerAddress | None, str]:
    """The broker to check, or why there is none."""
    from fleet.discovery.brokers import find_broker  # noqa: PLC0415  # as above

    named = settings["broker"]
    if named not in ("embedded", "find"):
        if HIDDEN in named:
            return None, PRIVATE
        return BrokerAddress.parse(named, settings["broker_ca"]), ""
    if daemon is not None:
        return BrokerAddress.parse(str(daemon.get("/status")["broker"])), ""
    if named == "embedded":
        return None, "the embedded broker runs with the daemon, which does not run"
    try:
        found = await find_broker(settings["root"], FIND_WITHIN_S, settings["interfaces"])
    except BadInput as error:
        return None, str(error)
    return (found.address, "") if found else (None, f"no broker announces the topic root {settings['root']}")


def _known_to(daemon: Daemon | None, settled: tuple[InForce, ...]) -> Document:
    """Settings that a running daemon was given as options or in its environment, where they are not ours too."""
    if daemon is None:
        return {}
    ours = {s.name: s.told for s in settled}
    told: Document = {}
    for row in daemon.get("/config")["settings"]:
        name, value = row["name"], row["value"]
        if not row["source"].startswith(("option", "environment")) or not value or value == ours.get(name):
            continue
        if name in ("broker", "root", "database", "bind"):
            told[name] = value
        elif name == "broker_ca":
            told[name] = Path(value)
        elif name == "interfaces":
            told[name] = tuple(value.split(", "))
    return told


def _daemon(home: Path) -> tuple[Daemon | None, list[Result]]:
    """The daemon, if it answers, and what it says of itself and of its devices."""
    try:
        daemon = find(home)
    except NoDaemon as error:
        return None, [not_checked("daemon", error.what, START_ONE), not_checked("devices", "no daemon can tell")]
    try:
        status, devices, told = daemon.get("/status"), daemon.every("/devices", "devices"), daemon.get("/receivers")
        zone = daemon.clock().zone
    except NotUnderstood as error:
        return None, [trouble("daemon", error.what, error.remedy), not_checked("devices", "no daemon can tell")]
    except FleetError as error:
        remedy = "Stop what is left of it, and start it again; `daemon.json` in the home has its process id."
        return None, [trouble("daemon", error.what, remedy), not_checked("devices", "no daemon can tell")]
    seen = [_devices(status, devices), _inventory(status["inventory"])]
    return daemon, [_status(status), *seen, *check_delivery(told, zone)]


def _status(status: Document) -> Result:
    if status["version"] != __version__:
        words = f"release {status['version']} runs, and this command is {__version__}"
        return warning("daemon", words, "Restart the daemon.")
    return ok("daemon", f"it answers (process {status['pid']})")


def _devices(status: Document, devices: Document) -> Result:
    if status["link_trouble"]:
        words = f"the daemon does not reach them: {status['link_trouble']}"
        return trouble("devices", words, "Put the broker right; the daemon tries again by itself.")
    missing = _named(devices, "missing")
    if missing:
        return trouble("devices", f"no answer from {missing}", "Are they switched on, and on the network?")
    conflicting = _named(devices, "conflicting")
    if conflicting:
        words = f"{conflicting}: not what they were"
        return trouble("devices", words, "`fleet devices DEVICE` tells why; `fleet accept DEVICE` vouches for one.")
    if not devices["counts"]["found"]:
        return warning("devices", "none was found yet", "Are they on this network, and on the broker?")
    return ok("devices", f"{devices['counts']['found']} answer")


def _inventory(filling: Document) -> Result:
    known, most, passed_over = filling["known"], filling["most"], filling["passed_over"]
    remedy = (
        "`fleet devices --not-bound` lists those that no position names: what announces them? Those that are gone for "
        "an hour make room; on a broker without an access list anyone can make up more."
    )
    if known >= most:
        words = f"it is full with {known} devices: no further one is taken that no position names"
        return trouble("inventory", f"{words} ({passed_over} times passed over)", remedy)
    if passed_over:
        words = f"it was full since the daemon's start: {passed_over} times a device was passed over"
        return warning("inventory", words, remedy)
    return ok("inventory", f"{known} of at most {most} devices")


def _named(devices: Document, status: str) -> str:
    names = [d["id"] for d in devices["devices"] if d["status"] == status]
    return _list(names)


def _list(names: Iterable[str]) -> str:
    found = list(names)
    more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    return ", ".join(found[:MOST_NAMED]) + more
