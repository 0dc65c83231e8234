"""What the drift watch is told each time, and what it holds from one time to the next."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Literal, TypeAlias

from fleet.model.difference import Difference
from fleet.model.episode import Episode
from fleet.model.state import Reported

SETTLE: Final = timedelta(seconds=20)
"""After power-up nothing is told: boxes come up with an old input, muted, or in a default slot, and put that right."""
STILL: Final = timedelta(seconds=5)
"""Settling goes on while the device still moves, until it has stood for so long,"""
SETTLE_AT_MOST: Final = timedelta(seconds=60)
"""but not for longer than this: what never stands still is worth telling."""
MISSED_AFTER: Final = timedelta(seconds=10)
"""A box that restarts is back within this; less would tell of every restart."""
GATHER: Final = timedelta(seconds=5)
"""How long to wait for others once one is missed: boxes on one circuit are noticed one after the other,"""
TOGETHER: Final = timedelta(seconds=30)
"""since brokers notice a dead client by its keep-alive. Gone within this of each other is gone together."""
AFTER_LINK: Final = timedelta(seconds=60)
"""How long devices have to come back after the broker did, before they are missed: they back off between attempts."""
LINK_AFTER: Final = timedelta(seconds=10)
"""A link that is down for less is not worth a word."""
FLAPS: Final = 3
FLAPS_WITHIN: Final = timedelta(minutes=10)
"""So many ends within this time are one flapping episode,"""
CALM_AFTER: Final = timedelta(minutes=10)
"""which is over once it has been quiet for this long."""
AFTER_OFF_HOURS: Final = timedelta(minutes=10)
"""How long the devices of a room have to come back once its off-hours are over: somebody has to switch them on."""

Mark: TypeAlias = tuple[str, str, str]
"""One difference as it stands: subject, setting, and the value that was found."""
Reason = Literal["", "first", "version", "agreed", "change", "guest"]
"""Why differences are no drift: they stood at the first look, a version or mode in force makes them, somebody agreed to
them or did no longer, a change of ours left them, a guest made them. Empty where nothing speaks for them."""
WANTED: Final[frozenset[Reason]] = frozenset({"version", "agreed"})
"""What is wanted became another, and no device did anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One position as it was compared just now: what counts of its differences, and what mutes it.

    `before` is its device as last seen before it changed, if that is known; `now` as it is, since `at`.
    """

    room: str
    position: str
    device: str
    at: datetime
    differences: tuple[Difference, ...] = ()
    muted: str = ""
    reason: Reason = ""
    before: Reported | None = None
    now: Reported | None = None

    @property
    def place(self) -> str:
        """The position's full name."""
        return f"{self.room}/{self.position}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One device that has a position: whether it is there, in which boot, and when it last told something.

    `silent_since` is since when it does not answer though it is there; `None` where it does.
    """

    device: str
    online: bool
    last_seen: datetime
    silent_since: datetime | None = None
    boot: str = ""
    rooms: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What is so at a moment. `off` names the rooms whose devices may be without power now."""

    now: datetime
    link_trouble: str = ""
    looks: Collection[Look] = ()
    signs: Collection[Sign] = ()
    off: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """The boot that a device is in; `settles` since when it does, and `moved` when it last changed while it did."""

    id: str
    settles: datetime | None = None
    moved: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """A device that is not there; it is missed from `due` on."""

    sign: Sign
    at: datetime
    due: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Everything that the drift watch holds. Only `episodes` and `accounted` have to survive a restart."""

    episodes: Mapping[str, Episode] = field(default_factory=dict)
    accounted: Mapping[str, frozenset[Mark]] = field(default_factory=dict)
    """Differences that stand and are no drift, by place; `muted` is marked in the same way."""
    boots: Mapping[str, Boot] = field(default_factory=dict)
    held: Mapping[str, Look] = field(default_factory=dict)
    """The last look at places whose device settles, by place."""
    gone: Mapping[str, Gone] = field(default_factory=dict)
    link_down: datetime | None = None
    link_up: datetime | None = None
