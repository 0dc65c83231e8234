"""What a plan is made from: the desired state beside what devices freshly report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

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
