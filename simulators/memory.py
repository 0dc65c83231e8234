"""A device's non-volatile memory: one JSON file, replaced whole, so that a power loss leaves the old or the new."""

from __future__ import annotations

import json
import os
from pathlib import Path

from .abilities import Json
from .condition import Kept, Live, Slot


class Memory:
    """The non-volatile state of one device in a file of its own."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def load(self) -> Kept | None:
        """What was saved last, `None` where nothing was."""
        try:
            return from_json(json.loads(self._path.read_bytes()))
        except FileNotFoundError:
            return None

    def save(self, kept: Kept) -> None:
        """Replace the file at once and see it onto the disk."""
        fresh = self._path.with_suffix(".new")
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            os.write(descriptor, json.dumps(to_json(kept)).encode())
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        fresh.replace(self._path)


def to_json(kept: Kept) -> Json:
    """The kept state as plain JSON."""
    live = kept.live
    return {
        "boot_count": kept.boot_count,
        "epoch": kept.epoch,
        "live": {
            "active_slot": live.active_slot,
            "input": live.input,
            "panel_locked": live.panel_locked,
            "power_up_slot": live.power_up_slot,
            "outputs": list(live.outputs),
            "mutes": [sorted(causes) for causes in live.mutes],
        },
        "slots": [
            {"number": s.number, "name": s.name, "kind": s.kind, "input": s.input, "outputs": list(s.outputs)}
            for s in kept.slots
        ],
    }


def from_json(plain: Json) -> Kept:
    """The kept state that `to_json` wrote."""
    live = dict(plain["live"])
    live["outputs"] = tuple(live["outputs"])
    live["mutes"] = tuple(frozenset(causes) for causes in live["mutes"])
    slots = tuple(Slot(**{**slot, "outputs": tuple(slot["outputs"])}) for slot in plain["slots"])
    return Kept(boot_count=plain["boot_count"], epoch=plain["epoch"], live=Live(**live), slots=slots)
