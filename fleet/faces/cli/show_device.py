"""One device as people read it: identity, references, health, settings, slots, and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fleet.faces.cli.clock import Clock
from fleet.faces.cli.show import Row, say, table, value_words
from fleet.faces.documents import Document

IDENTITY = ("id", "status", "serial", "model", "firmware", "mac", "address", "conflict", "trouble")
DEVICE_WIDE = ("input", "panel_locked", "power_up_slot")


def device(document: Document, clock: Clock) -> None:
    """The page of a device."""
    for name in IDENTITY:
        if document[name]:
            _field(name, document[name])
    if document["last_seen"]:
        _field("last seen", clock.told(document["last_seen"], "seconds"))
    if document["positions"]:
        _field("positions", ", ".join(document["positions"]))
    if document["spare_for"]:
        _field("spare for", ", ".join(document["spare_for"]))
    if (retired := document["retired"]) is not None:
        places = ", ".join(retired["positions"])
        _field("retired", f"{clock.day(retired['since'])}, serial {retired['serial']}, from {places}")
    _references(document["references"])
    if document["reported"]:
        _health(document)
        _settings(document["reported"]["state"])
        _slots(document["slots"])
    _history(document, clock)


def _references(references: Document) -> None:
    for position, given in references.items():
        for name, text in given.items():
            _field(name, text if len(references) == 1 else f"{text} ({position})")


def _health(document: Document) -> None:
    if document["temperature_c"] is not None:
        _field("temperature", f"{document['temperature_c']:g} °C")
    _field("faults", ", ".join(document["faults"]) or "none told")


def _settings(state: Document) -> None:
    _field("slot", state["active_slot"] or "none")
    for name in DEVICE_WIDE:
        if state["live"][name] is not None:
            _field(name, state["live"][name])
    for number, settings in state["live"]["outputs"].items():
        say(f"output {number}")
        table([(k, value_words(v)) for k, v in settings.items() if v is not None], indent=2)


def _slots(slots: list[Document]) -> None:
    rows = []
    for slot in slots:
        words = [slot["kind"]]
        words += ["active"] if slot["active"] else []
        words += [] if slot["told"] else ["contents not told"]
        words += ["edited: live settings are not its contents"] if slot["edited"] else []
        rows.append((str(slot["slot"]), slot["name"] or "-", ", ".join(words)))
    _part("slots", rows)


def _history(document: Document, clock: Clock) -> None:
    changes = [
        (clock.second(c["started_at"]), c["id"], c["outcome"] or c["state"], f"{c['kind']} {c['scope']}")
        for c in document["changes"]
    ]
    sightings = [
        (clock.second(s["at"]), s["source"], s["address"] or "-", "goodbye" if s["gone"] else "")
        for s in document["sightings"]
    ]
    _part(f"changes ({clock.name})", changes)
    _part(f"sightings ({clock.name})", sightings)


def _part(head: str, rows: Sequence[Row]) -> None:
    if rows:
        say(head)
        table(rows, indent=2)


def _field(name: str, value: Any) -> None:
    table([(f"{name:12}", value_words(value))])
