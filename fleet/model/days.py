"""What a room's file says about its days: hours on the venue's clock, what selects a mode, what drift leads to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from typing import Final

from fleet.model.names import Name

HOUSE_MODE: Final = "house"
"""The word for a room that is in none of its modes: as its file says without them."""
EVERY_DAY: Final = tuple(range(7))


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """From one time to another on the venue's clock, over midnight where `until` is not after `start`.

    `days` are those on which it starts, Monday 0.
    """

    start: time
    until: time
    days: tuple[int, ...] = EVERY_DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Scheduled:
    """A mode that is to be recalled at a time on the venue's clock, on these days (Monday 0)."""

    at: time
    mode: Name
    days: tuple[int, ...] = EVERY_DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """A topic on the broker on which a partition contact or a wall panel tells what it is at, and the mode for each.

    A value counts once it has stood for `settle_s` seconds. With `repeats` it counts again when it is told again, as
    the button of a panel means it; else that is a contact which tells what it is at now and then.
    """

    topic: str
    modes: Mapping[str, Name]
    settle_s: float = 2.0
    repeats: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfRepair:
    """That drift is put right unasked, and when: within `nobody_near`, or at any time where that is `None`."""

    nobody_near: Hours | None = None
