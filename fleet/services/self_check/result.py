"""What a check found."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """How a check came out."""

    OK = "ok"
    NOT_CHECKED = "not checked"
    WARNING = "warning"
    TROUBLE = "trouble"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one check found, in words; `remedy` says what to do where it is not well."""

    check: str
    state: State
    words: str
    remedy: str = ""


def ok(check: str, words: str) -> Result:
    """All is well."""
    return Result(check=check, state=State.OK, words=words)


def not_checked(check: str, words: str, remedy: str = "") -> Result:
    """Nothing was found out, and why."""
    return Result(check=check, state=State.NOT_CHECKED, words=words, remedy=remedy)


def warning(check: str, words: str, remedy: str) -> Result:
    """It works, and is not as it should be."""
    return Result(check=check, state=State.WARNING, words=words, remedy=remedy)


def trouble(check: str, words: str, remedy: str) -> Result:
    """It does not work."""
    return Result(check=check, state=State.TROUBLE, words=words, remedy=remedy)
