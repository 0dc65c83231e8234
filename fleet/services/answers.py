"""Which devices answer, of those that are there by their presence: what each told last, and what it left unanswered."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from fleet.model.state import State
from fleet.reconcile.answering import Answering, left_unanswered, silent_from, told_before


class Answers:
    """Held by the inventory, which says what it hears. `tell` is told each device that falls silent or speaks."""

    def __init__(self, clock: Callable[[], datetime], tell: Callable[[str], None]) -> None:
        self._clock = clock
        self._tell = tell
        self._devices: dict[str, Answering] = {}

    def silent_since(self, device: str) -> datetime | None:
        """Since when a device does not answer; `None` where it does, or where it is too early to tell."""
        known = self._devices.get(device)
        return known.silent_since if known is not None else None

    def last_told(self, device: str) -> datetime | None:
        """When a device last told something new or answered; `None` where it never did."""
        known = self._devices.get(device)
        return known.told if known is not None else None

    def doubtful(self, device: str) -> bool:
        """Whether a device left the last question unanswered."""
        known = self._devices.get(device)
        return known is not None and known.unanswered > 0

    def proved(self, device: str) -> None:
        """It answered, or told something new by itself."""
        was_silent = self.silent_since(device) is not None
        self._devices[device] = Answering(told=self._clock())
        if was_silent:
            self._tell(device)

    def heard(self, device: str, last: State | None, state: State) -> bool:
        """Whether a state says that its device is alive now: a broker tells again and again what it retains."""
        if told_before(last, state):
            return False
        if last is not None:
            self.proved(device)
        elif device not in self._devices:  # a hint: it may have been told long before anybody listened
            self._devices[device] = Answering(told=self._clock())
        return True

    def unanswered(self, device: str) -> None:
        """It left a question unanswered. After some of these it counts as one that does not answer."""
        known = self._devices.get(device) or Answering(told=self._clock())
        self._devices[device] = left_unanswered(known, self._clock())
        if self.silent_since(device) is not None:
            self._tell(device)

    def take_up(self, device: str, told: datetime, since: datetime) -> None:
        """A daemon before this one found that it does not answer: it has to prove that it does again."""
        self._devices[device] = silent_from(told, since)

    def forget(self, device: str) -> None:
        """It is not in the inventory any more."""
        self._devices.pop(device, None)
