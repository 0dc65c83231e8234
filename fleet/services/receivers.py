"""Receivers of notices: what one can do, and what it is told at once."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from fleet.model.notice import Notice
from fleet.model.receiver import ReceiverRules

MOST_TOGETHER: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """What a receiver is told at once; more than one notice after quiet hours.

    A repetition has the same `id`. `more` notices were left out, since there are too many. `test` marks a trial.
    """

    id: str
    venue: str
    time_zone: str
    notices: tuple[Notice, ...]
    more: int = 0
    test: bool = False


class Receiver(Protocol):
    """Somebody who can be told of notices."""

    @property
    def rules(self) -> ReceiverRules:
        """What it is told, and when."""
        ...

    @property
    def words(self) -> str:
        """What it is, for people; without secrets."""
        ...

    async def deliver(self, parcel: Parcel) -> None:
        """Tell it. Raises `NotDelivered`, also where it takes too long."""
        ...


def parcel_of(notices: Sequence[Notice], *, venue: str, time_zone: str, test: bool = False) -> Parcel:
    """These notices as one parcel: the same ones always have the same id."""
    return Parcel(
        id=_id_of([n.id for n in notices]),
        venue=venue,
        time_zone=time_zone,
        notices=tuple(notices[:MOST_TOGETHER]),
        more=max(0, len(notices) - MOST_TOGETHER),
        test=test,
    )


def _id_of(notices: Sequence[str]) -> str:
    if len(notices) == 1:
        return notices[0]
    return f"digest-{hashlib.sha256(' '.join(notices).encode()).hexdigest()[:16]}"
