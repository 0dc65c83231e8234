"""Names for the shell to complete, asked of the running daemon; silent where there is none or it is slow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import typer

from fleet.errors import FleetError
from fleet.faces.cli.client import default_home, reach
from fleet.faces.documents import Document
from fleet.model.names import shown

PATIENCE_S = 0.5
"""How long somebody who pressed a key waits at most."""

Named = tuple[str, str]
"""A name and a word about it, which some shells show."""
Completing = Callable[[typer.Context, str], list[Named]]


def _completing(path: str, names: Callable[[Document, typer.Context], Iterator[Named]]) -> Completing:
    """Completes the names that one of the daemon's documents holds."""

    def complete(context: typer.Context, incomplete: str) -> list[Named]:
        try:
            found = list(names(_ask(context, path), context))
        except (FleetError, httpx.HTTPError, OSError, ValueError, KeyError, TypeError, AttributeError):
            return []  # whatever it is, a half typed line is no place for it
        return [(name, shown(words)) for name, words in found if name.startswith(incomplete) and shown(name) == name]

    return complete


def _ask(context: typer.Context, path: str) -> Document:
    home = context.params.get("home")
    daemon = reach(Path(home) if home else default_home())
    answer = httpx.get(
        f"{daemon.url}/v1{path}",
        headers={"Authorization": f"Bearer {daemon.token}"},
        timeout=PATIENCE_S,
        trust_env=False,
        verify=daemon.trusted,
    )
    document: Document = answer.raise_for_status().json()
    return document


def _rooms(document: Document, _: typer.Context) -> Iterator[Named]:
    yield from ((name, room["name"]) for name, room in document["rooms"].items())


def _of_room(document: Document, context: typer.Context, what: str) -> Iterator[Named]:
    """The groups, positions or modes of the room that is typed already, or of all of them."""
    # While an option still lacks its value, what was typed before it is in `args`, not yet in `params`.
    typed = context.params.get("room") or next((word for word in context.args if word in document["rooms"]), None)
    for name, room in document["rooms"].items():
        if not typed or name == typed:
            yield from ((member, name) for member in room[what])


def _groups(document: Document, context: typer.Context) -> Iterator[Named]:
    yield from _of_room(document, context, "groups")


def _positions(document: Document, context: typer.Context) -> Iterator[Named]:
    yield from _of_room(document, context, "positions")


def _modes(document: Document, context: typer.Context) -> Iterator[Named]:
    yield from _of_room(document, context, "modes")


def _devices(document: Document, _: typer.Context) -> Iterator[Named]:
    yield from ((device, "") for device in document["devices"])


def _changes(document: Document, _: typer.Context) -> Iterator[Named]:
    yield from ((change["id"], f"{change['kind']} {change['state']}") for change in document["changes"])


def _snapshots(document: Document, _: typer.Context) -> Iterator[Named]:
    yield from ((snapshot["id"], snapshot["note"]) for snapshot in document["snapshots"])


rooms = _completing("/names", _rooms)
groups = _completing("/names", _groups)
positions = _completing("/names", _positions)
modes = _completing("/names", _modes)
devices = _completing("/names", _devices)
changes = _completing("/changes", _changes)
snapshots = _completing("/snapshots", _snapshots)
