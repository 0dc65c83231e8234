"""The delay sheet: how each delay comes about, by the numbers that the desired state itself is computed with."""

from __future__ import annotations

from collections.abc import Mapping

from fleet.errors import BadInput
from fleet.model.venue import Position, Room
from fleet.reconcile.alignment import alignment
from fleet.reconcile.outlook import Outlook
from fleet.services.handover.pack import DelayRow
from fleet.services.sheets import reported_words, wanted_words


def delays_of(room: Room, outlook: Outlook, latencies_ms: Mapping[str, float]) -> tuple[DelayRow, ...]:
    """A row for each position of a room. `latencies_ms` is by device id, of those that told theirs."""
    return tuple(_row(room, p, outlook, latencies_ms) for _, p in sorted(room.positions.items()))


def _row(room: Room, p: Position, outlook: Outlook, latencies_ms: Mapping[str, float]) -> DelayRow:
    wanted = wanted_words(p, outlook.wants.get(p.device), "delay_ms")
    reported = reported_words(p, outlook.reported.get(p.device), "delay_ms")
    if p.life_safety:
        return DelayRow(position=p.name, how="left alone", wanted=wanted, reported=reported)
    if p.time_align is not None:
        try:
            working = alignment(room, p.name, latencies_ms)
        except BadInput as error:
            words = str(error)
            return DelayRow(position=p.name, how="cannot be computed", wanted=wanted, reported=reported, words=words)
        return DelayRow(position=p.name, how="computed", wanted=wanted, reported=reported, working=working)
    if "delay_ms" in p.between:
        return DelayRow(position=p.name, how="range", wanted=wanted, reported=reported)
    if p.fixed.delay_ms is not None:
        return DelayRow(position=p.name, how="given", wanted=wanted, reported=reported)
    return DelayRow(position=p.name, how="not managed", wanted=wanted, reported=reported)
