"""Commands of backups: backup, restore."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from fleet.errors import BadInput, FleetError, NoDaemon
from fleet.faces.cli import options, show
from fleet.faces.cli.client import find
from fleet.faces.cli.clock import NO_VENUE
from fleet.faces.cli.configuration import InForce, instead_of_option, settle
from fleet.faces.cli.options import ConfigFile, Home, Json
from fleet.faces.cli.secret_places import LIBPQ, refuse_in_argument
from fleet.faces.secrets import without_secrets
from fleet.model.listing import counted

Database = Annotated[
    str, typer.Option("--database", metavar="URL", help="postgresql://…", show_default="as the daemon has it")
]


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive to write; it must not exist.")],
    database: Database = "",
    config: ConfigFile = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Write all that a new computer needs into one archive. The daemon may go on running meanwhile.

    Example: fleet backup fleet-2026-05-01.tar.gz
    """
    from fleet.services.backing_up.backing_up import back_up  # noqa: PLC0415  # other commands need no database

    refuse_in_argument(database, instead_of_option("database"), "--database")
    at = options.here(home, "backup")
    if not at.is_dir():
        raise BadInput("there is no such home", where=str(at), remedy="Give --home.")
    named = database or _setting(settle(at, {}, config), "database")
    _check_same(at, named)
    done = back_up(file, at, named or f"sqlite:///{at.absolute()}/fleet.db", datetime.now(UTC))
    if json:
        counts = {"members": done.members, "size_bytes": done.size, "database": done.database}
        options.print_json(
            {"format": "fleet-backed-up/1", "file": str(file), **counts, "left_out": list(done.left_out)}
        )
        return
    show.say(f"{file}: {counted(done.members, 'file')}, {done.size / 1e6:.1f} MB, only its owner may read it")
    for name in done.left_out:
        show.tell(f"{name} is a link or an archive and was left out: keep what it holds by itself")
    show.tell("it holds the keys and settings of this daemon: keep it as safe as the daemon itself")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive.")],
    home: Annotated[Path, typer.Option("--home", metavar="FOLDER", help="The new home: an empty or a new folder.")],
    database: Annotated[
        str,
        typer.Option("--database", metavar="URL", help="An empty one, where it was PostgreSQL.", show_default=False),
    ] = "",
    json: Json = False,
) -> None:
    """Make a daemon's home from an archive. Nothing is written unless every hash in it is right.

    Example: fleet restore fleet-2026-05-01.tar.gz --home /var/lib/fleet
    """
    from fleet.services.backing_up.restoring import restore as make_home  # noqa: PLC0415  # as above

    refuse_in_argument(database, f"Here {LIBPQ}", "--database")
    done = make_home(file, home, database)
    steps = list(_next_steps(home, done.venue, database))
    if json:
        about = {"made_at": done.manifest.made_at, "version": done.manifest.version, "next": steps}
        options.print_json({"format": "fleet-restored/1", "home": str(home), **about})
        return
    taken = NO_VENUE.told(done.manifest.made_at, "seconds")
    show.say(f"{home}: restored from the backup of {taken} (release {done.manifest.version})")
    for step in steps:
        show.table([("-", step)])


def _next_steps(home: Path, venue: Path | None, database: str) -> Iterator[str]:
    """What a person does next, in order."""
    yield ("Stop the old daemon for good, if there is one: two daemons under one name cut each other off the broker.")
    try:
        settings = settle(home, {})
    except FleetError as error:
        yield f"Put config.toml right: {error}"
        settings = ()
    named = _setting(tuple(s for s in settings if s.source.startswith("file ")), "database")
    if database and without_secrets(named) != without_secrets(database):
        yield f"Write the new database into {home}/config.toml as `database`, or give it with --database."
    elif named and not database:
        yield f"The database is {home}/fleet.db now: take `database` out of config.toml ({without_secrets(named)})."
    for name in ("venue", "addresses"):
        path = _setting(settings, name)
        if path and not Path(path).exists():
            yield f"`{name}` is set to {path}, which is not on this computer."
    if venue is not None:
        yield f"The venue's files in force are in {venue}, should their folder be lost."
    yield f"Start it: fleet daemon --home {home}"
    yield (
        "Devices remember the highest epoch that wrote to them and refuse a lower one. If the old daemon was started "
        "again after this backup was made, run `fleet take-over` once, which goes above it."
    )
    yield "See whether all is well: fleet self-check"


def _setting(settings: tuple[InForce, ...], name: str) -> str:
    return next((str(s.value) for s in settings if s.name == name and s.value), "")


def _check_same(home: Path, named: str) -> None:
    """Refuse to back up another database than the one that the running daemon uses."""
    try:
        rows = find(home).get("/config")["settings"]
    except NoDaemon:
        return
    used = next((str(row["value"]) for row in rows if row["name"] == "database"), "")
    if used != without_secrets(named):
        raise BadInput(
            f"the daemon uses the database {used or 'of its home'}, not {without_secrets(named) or 'of its home'}",
            remedy="Name the daemon's with --database.",
        )
