"""What a plan is made from: the desired state beside what devices freshly report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fleet.model.deviation import AgreedDeviation
from fleet.model.standing import OperatorLevel, OurMute
from fleet.model.state import Reported
from fleet.model.venue import Venue
from fleet.reconcile.wanted import WantedDevice


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Everything a plan is made from, freshly read.

    `unreachable` maps devices that did not answer to the reason; `conflicting` those not to be written to;
    `unsuitable` those that cannot be what is desired; `plainly` those that can neither stage nor revert.
    """

    venue: Venue
    desired_sha256: str
    wants: Mapping[str, WantedDevice]
    reported: Mapping[str, Reported]
    unreachable: Mapping[str, str] = field(default_factory=dict)
    conflicting: Mapping[str, str] = field(default_factory=dict)
    unsuitable: Mapping[str, str] = field(default_factory=dict)
    plainly: frozenset[str] = frozenset()
    timerless: frozenset[str] = frozenset()
    """Devices that cannot return by themselves when nobody keeps a change in time."""
    held: Mapping[str, str] = field(default_factory=dict)
    """Rooms on hold, with who holds them until when, in words."""
    too_soon: Mapping[str, str] = field(default_factory=dict)
    """Devices whose slots were written so lately that they may not be again yet, with from when on they may, in words.
    """
    guests: Mapping[str, str] = field(default_factory=dict)
    """Rooms with a guest, with who that is until when, in words."""
    agreed: tuple[AgreedDeviation, ...] = ()
    """Agreed deviations that stand now."""
    kept: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    """What is left as it is because it is agreed, in words by place: `wants` has the agreed values then."""
    holders: Mapping[str, str] = field(default_factory=dict)
    """Rooms on hold, with the name of who holds them."""
    levels: Mapping[str, OperatorLevel] = field(default_factory=dict)
    """The levels that somebody chose within allowed ranges, in whatever mode, by `level_key`."""
    level_limits_db: Mapping[str, float] = field(default_factory=dict)
    """The highest level that a room's guests may have, by room."""
    mutes: Mapping[str, OurMute] = field(default_factory=dict)
    """Positions that somebody muted through this tool, by full name."""
