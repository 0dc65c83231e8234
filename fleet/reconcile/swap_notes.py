"""What one should know of a swap though it is no loss, in words. Pure."""

from __future__ import annotations

from fleet.model.description import Description
from fleet.model.names import shown
from fleet.model.venue import Position
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import place


def unlike(old: Description | None, new: Description) -> tuple[str, ...]:
    """In what two devices are of different kinds or makes, in words; empty for equal ones."""
    if old is None:
        return ("what the old device could do is not known",)
    found = []
    if old.model != new.model:
        found.append(f"another model: {shown(new.model)} for {shown(old.model)}, whose own sound may differ")
    if old.firmware != new.firmware:
        found.append(f"firmware {shown(new.firmware) or 'not told'} for {shown(old.firmware) or 'not told'}")
    return tuple(found)


def notes(
    outlook: Outlook, asked: Position, positions: tuple[Position, ...], old: Description | None, new: Description
) -> list[str]:
    """What else moves or is muted with the position that was asked for, what was agreed there and is over by that, and
    what is late by another latency.
    """
    device = positions[0].device
    found = []
    moved = {place(p) for p in positions}
    if len(positions) > 1:
        others = ", ".join("/".join(place(p)) for p in positions if place(p) != place(asked))
        found.append(f"{device} also serves {others}: all of it moves")
    if device in outlook.reported:
        found.append(f"{device} still answers: it is muted first, so that both do not sound")
    for agreed in outlook.agreed:
        if (agreed.room, agreed.position) in moved:
            terms = f"{agreed.words}; agreed by {agreed.owner}: {agreed.reason}"
            found.append(f"{agreed.position}: {device} alone is left as it is ({terms}); the new one is not")
    if old is not None and old.latency_ms != new.latency_ms:
        late = [
            p.name
            for p in outlook.venue.positions()
            if p.time_align and (p.room, p.time_align.to) in moved and place(p) not in moved
        ]
        if late:
            found.append(f"its latency is another one: apply {', '.join(late)} afterwards, aligned to it")
    return found
