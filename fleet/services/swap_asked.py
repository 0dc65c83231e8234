"""A swap as it is asked for, and as it would be done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from fleet.errors import BadInput, Refused
from fleet.model.edge import digest, plain
from fleet.reconcile.scope import Place
from fleet.reconcile.swap_losses import Loss


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSwap:
    """What to swap: the device of a position for another one, or (`undo`) the one that was there before.

    `also` names other rooms that the old device serves; `until` is the last day for a device that cannot do all.
    """

    position: str
    device: str = ""
    room: str | None = None
    until: date | None = None
    undo: bool = False
    allow: frozenset[str] = frozenset()
    also: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """A swap as it would be done, and named by its digest."""

    positions: tuple[Place, ...]
    old: str
    old_serial: str
    new: str
    new_serial: str
    losses: tuple[Loss, ...]
    notes: tuple[str, ...]
    writes: Mapping[str, Mapping[str, Any]]
    version: str
    undoes: str
    digest: str = ""


def refuse_losses(prospect: Prospect, asked: AskedSwap) -> None:
    """Refuse a lesser device that was not asked for as such, or without the day until which it may stay."""
    if asked.undo or not prospect.losses:
        return
    serious = [loss for loss in prospect.losses if loss.serious]
    if serious and "lesser" not in asked.allow:
        raise Refused(
            f"{prospect.new} cannot do what is desired: " + "; ".join(f"{x.position}: {x.words}" for x in serious),
            guards=("lesser",),
            remedy="Name another device. If it has to be this one: --allow lesser.",
        )
    if asked.until is None:
        raise BadInput(
            f"{prospect.new} cannot do all that {prospect.old} did, so that it may only stay for a time",
            where="--until",
            remedy="Give the last day, as in --until 2031-05-20",
        )


def sealed(p: Prospect) -> Prospect:
    """A prospect with its digest."""
    data = {
        "positions": p.positions,
        "old": [p.old, p.old_serial],
        "new": [p.new, p.new_serial],
        "losses": [plain(x) for x in p.losses],
        "writes": p.writes,
        "version": p.version,
    }
    return replace(p, digest=digest(data))
