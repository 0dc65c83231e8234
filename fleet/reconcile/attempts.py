"""How long somebody who failed to sign in has to wait: the rule, over what is known of their failures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

FREE: Final = 5
"""So many failures within `WITHIN` are a person's mistakes; the last of them begins the first wait."""
WITHIN: Final = timedelta(minutes=1)
FIRST_WAIT: Final = timedelta(seconds=15)
LONGEST_WAIT: Final = timedelta(minutes=15)
FORGOTTEN_AFTER: Final = timedelta(minutes=15)
"""After so long without a failure, counted from the end of the wait, everything is as if nothing had been."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempts:
    """Failures of one source, or with one token: those that count still, and the wait they brought."""

    failures: tuple[datetime, ...] = ()
    wait: timedelta = timedelta(0)
    until: datetime | None = None


def failed(attempts: Attempts, now: datetime) -> Attempts:
    """The same with one failure more. Once there was a wait, each further failure brings one twice as long."""
    if forgotten(attempts, now):
        attempts = Attempts()
    failures = (*(at for at in attempts.failures if at > now - WITHIN), now)[-FREE:]
    if not attempts.wait and len(failures) < FREE:
        return Attempts(failures=failures)
    wait = min(attempts.wait * 2 or FIRST_WAIT, LONGEST_WAIT)
    return Attempts(failures=failures, wait=wait, until=now + wait)


def left(attempts: Attempts, now: datetime) -> timedelta:
    """For how long nothing more is looked at; zero where it is."""
    return max(attempts.until - now, timedelta(0)) if attempts.until is not None else timedelta(0)


def forgotten(attempts: Attempts, now: datetime) -> bool:
    """Whether nothing of it counts any more."""
    last = max((*attempts.failures, *([attempts.until] if attempts.until else [])), default=None)
    return last is None or now >= last + (FORGOTTEN_AFTER if attempts.wait else WITHIN)
