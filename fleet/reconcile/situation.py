"""What the guards look at besides the devices' plans, and how they name what they hit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from fleet.model.plan import DevicePlan, GuardHit, GuardName, PlanKind
from fleet.model.settings import OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position, Venue
from fleet.reconcile.wanted import WantedDevice


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What the guards look at besides the devices' plans.

    `conflicting` maps devices that must not be written to, to the reason; `trusted_recalls` holds devices whose
    recall was verified to bring back exactly what is desired: these ramp instead of asking. `wants` tells what is
    managed of each device.
    """

    venue: Venue
    reported: Mapping[str, Reported]
    in_scope: frozenset[tuple[str, str]]
    named_rooms: frozenset[str]
    conflicting: Mapping[str, str] = field(default_factory=dict)
    trusted_recalls: frozenset[str] = frozenset()
    held: Mapping[str, str] = field(default_factory=dict)
    guests: Mapping[str, str] = field(default_factory=dict)
    too_soon: Mapping[str, str] = field(default_factory=dict)
    wants: Mapping[str, WantedDevice] = field(default_factory=dict)
    kind: PlanKind = "apply"
    level_limits_db: Mapping[str, float] = field(default_factory=dict)
    """The highest level that a room's guests may have, by room."""

    def ceiling_db(self, position: Position) -> float | None:
        """The level that a position is not to rise above: its own ceiling, or a lower one of its room's guests."""
        given = (position.ceiling_db, self.level_limits_db.get(position.room))
        return min((limit_db for limit_db in given if limit_db is not None), default=None)


def touched(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[tuple[DevicePlan, Position, OutputSettings]]:
    """Every position that the plans write to or move, with what it is to be."""
    for plan in plans:
        for position in situation.venue.positions_of(plan.device):
            if position.output in plan.after.live.outputs:
                yield plan, position, plan.after.live.outputs[position.output]


def who(device: str, output: int, situation: Situation) -> str:
    """An output by the name of its position, or by its device where it has none."""
    names = [p.name for p in situation.venue.positions_of(device) if p.output == output]
    return names[0] if names else f"{device} output {output}"


def hit_at(guard: GuardName, position: Position, words: str, *, may_allow: bool = False) -> GuardHit:
    """A hit at a position, its name before the words."""
    return GuardHit(
        guard=guard,
        words=f"{position.name} {words}",
        may_allow=may_allow,
        room=position.room,
        position=position.name,
        device=position.device,
    )
