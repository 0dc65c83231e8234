"""What a contact's messages come to: a value that has stood counts, chatter is told once and then ignored.

`heard` takes a message, `judge` says what has come of it by now. Neither knows what a value leads to.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

MOST_FLIPS: Final = 6
"""Flips within a minute that are still no chatter."""
MINUTE: Final = timedelta(minutes=1)
TOLD_AGAIN_AFTER: Final = timedelta(hours=1)
"""Chatter that comes back sooner than this after the last is the same matter, and not told again."""
LONGEST_PAYLOAD: Final = 256
"""Bytes; a longer payload is no value."""
NO_TEXT: Final = "\x00"
"""The value of a payload that is no text: one that no file can name."""
_MOST_KEPT: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Where a contact stands. `value` is what it is at, `since` when it came to that, `counted` what counted last.

    `present` tells that the broker had kept the value when we subscribed, so that it may be old; `flips` are the
    moments of the changes that chatter is counted by; while `chatters` nothing counts.
    """

    value: str | None = None
    since: datetime | None = None
    present: bool = False
    counted: str | None = None
    flips: tuple[datetime, ...] = ()
    chatters: bool = False
    untold: int = 0
    """The most flips within a minute of chatter that is still to be told of."""
    chattered: datetime | None = None
    """When the last chatter ended."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """A value counts now. `present` as in `Line`."""

    value: str
    present: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Chatter:
    """A contact has flipped this often within a minute."""

    flips: int


def value_of(payload: bytes) -> str | None:
    """A payload as it is compared with the values of files: text without case and outer spaces.

    `None` for an empty one, by which a kept message is taken away; `NO_TEXT` for one that cannot be a value.
    """
    if not payload:
        return None
    if len(payload) > LONGEST_PAYLOAD:
        return NO_TEXT
    try:
        text = compared(payload.decode("utf-8"))
    except UnicodeDecodeError:
        return NO_TEXT
    return text if text and text.isprintable() else NO_TEXT


def compared(text: str) -> str:
    """Text without case and outer spaces, so that `Open ` and `open` are alike."""
    return unicodedata.normalize("NFC", text.strip().casefold())


def heard(line: Line, value: str, now: datetime, *, present: bool = False, repeats: bool = False) -> Line:
    """The line after a message; the first message and a repetition are no flip.

    `repeats` as in `Contact`; what the broker had kept repeats nothing.
    """
    line = _calmed(line, now)
    if repeats and not present and value == line.counted:
        line = replace(line, counted=None, since=now, present=False)
    if value == line.value:
        return line
    recent = () if line.value is None else (*(f for f in line.flips if now - f < MINUTE), now)[-_MOST_KEPT:]
    begins = len(recent) > MOST_FLIPS and not line.chatters
    again = line.chattered is not None and now - line.chattered < TOLD_AGAIN_AFTER
    return replace(
        line,
        value=value,
        since=now,
        present=present,
        flips=recent,
        chatters=line.chatters or begins,
        untold=max(line.untold, len(recent)) if line.untold or (begins and not again) else 0,
    )


def judge(line: Line, now: datetime, settle: timedelta) -> Counts | Chatter | None:
    """What has come of a line by now. To be asked again, of the line `after` it, until it is `None`."""
    if line.value is None or line.since is None:
        return None
    if line.untold:
        return Chatter(flips=line.untold)
    if _calmed(line, now).chatters or line.value == line.counted or now - line.since < settle:
        return None
    return Counts(value=line.value, present=line.present)


def after(line: Line, outcome: Counts | Chatter) -> Line:
    """The line once what has come of it is dealt with; messages may have been heard meanwhile."""
    return replace(line, untold=0) if isinstance(outcome, Chatter) else replace(line, counted=outcome.value)


def _calmed(line: Line, now: datetime) -> Line:
    """The line without chatter that has been quiet for a minute."""
    if not line.chatters or line.since is None or now - line.since < MINUTE:
        return line
    return replace(line, chatters=False, chattered=line.since + MINUTE)
