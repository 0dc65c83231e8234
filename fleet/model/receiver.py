"""Who is told of notices, which ones and when; and a notice that is on its way to one of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.model.days import Hours
from fleet.model.difference import Grade
from fleet.model.names import Name
from fleet.model.notice import Notice, NoticeKind


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverRules:
    """What a receiver is told, and when.

    Empty `kinds` and `rooms` mean all of them; `least` is the least grade. What comes within `quiet` hours is held
    back to their end, but for what is serious; with `quiet_all` that waits as well.
    """

    name: str
    kinds: frozenset[NoticeKind] = frozenset()
    rooms: frozenset[Name] = frozenset()
    least: Grade = Grade.SLIGHT
    quiet: Hours | None = None
    quiet_all: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A notice that a receiver has still to be told of, from `due` on; `held` where quiet hours put that off.

    `number` counts up over all deliveries: a receiver is told in this order.
    """

    receiver: str
    notice: Notice
    number: int
    due: datetime
    held: bool = False

    @property
    def key(self) -> str:
        """What tells it from all others."""
        return f"{self.receiver}/{self.notice.id}"
