"""The levels of a room as its operator wants to know them: what each is, how far it may go, and who chose it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from fleet.model.names import Id, Name
from fleet.model.standing import LevelEnd, OperatorLevel
from fleet.model.venue import Between, Position
from fleet.reconcile.level_standing import key_of
from fleet.reconcile.outlook import Outlook


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelView:
    """The level of a position, as its device last told it (`None` where it did not), and what stands about it.

    `between` is its allowed range, without which the level is fixed. `until` is when the chosen level is taken back.
    """

    position: Name
    device: Id
    level_db: float | None
    between: Between | None
    ceiling_db: float | None
    chosen: OperatorLevel | None
    until: datetime | None
    away: str
    """Why the level is not known now, or is as old as it is; empty where it is fresh."""


def level_views(
    positions: Iterable[Position], outlook: Outlook, chosen: Mapping[str, OperatorLevel], ends: Iterable[LevelEnd]
) -> tuple[LevelView, ...]:
    """The levels of these positions by what their devices last told; life safety is left out."""
    until = {end.change: end.until for end in ends}
    return tuple(_view(p, outlook, chosen.get(key_of(outlook.venue, p)), until) for p in positions if not p.life_safety)


def _view(p: Position, outlook: Outlook, choice: OperatorLevel | None, until: Mapping[str, datetime]) -> LevelView:
    reported = outlook.reported.get(p.device)
    stands = choice if "level_db" in p.between else None
    return LevelView(
        position=p.name,
        device=p.device,
        level_db=reported.state.output(p.output).level_db if reported else None,
        between=p.between.get("level_db"),
        ceiling_db=p.ceiling_db,
        chosen=stands,
        until=until.get(stands.change) if stands is not None else None,
        away=outlook.unreachable.get(p.device, ""),
    )
