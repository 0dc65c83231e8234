"""Whether the daemon that answers and this command understand each other, and words for it where they do not.

They do where they differ by no more than a patch release and speak documents of the same number. An answer that lacks
something all the same is told as what it is, and not as a fault of this program.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from fleet import __version__
from fleet.errors import FleetError
from fleet.faces.releases import DOCUMENTS, NUMBER, RELEASE
from fleet.model.names import shown

RESTART: Final = "Restart the daemon, or use the command of its release."
NOT_KNOWN_THERE: Final = frozenset({404, 405, 422})
"""Status of an answer to what an older release may not know: a route, a method, a member of a body."""
LONGEST: Final = 40


class NotUnderstood(FleetError):
    """The daemon and this command are of releases that do not go together."""


class Answer(dict[str, Any]):
    """A document, or a part of one, that tells which releases do not go together where a member is not there."""

    def __init__(self, members: Mapping[str, Any], release: str) -> None:
        super().__init__(members)
        self._release = release

    def __missing__(self, member: str) -> Any:
        """Raise `NotUnderstood`."""
        words = f"the daemon's answer has no {shown(str(member), LONGEST)!r}: {both(self._release)}"
        raise NotUnderstood(words, remedy=RESTART)


def answers_of(headers: Mapping[str, str]) -> Callable[[dict[str, Any]], Answer]:
    """What makes an `Answer` of each object of a JSON text that came with these headers."""
    release = headers.get(RELEASE, "")
    return lambda members: Answer(members, release)


def refuse_other_release(headers: Mapping[str, str]) -> None:
    """Raise `NotUnderstood` where whoever answers with these headers and this command do not go together."""
    release = headers.get(RELEASE, "")
    if _without_patch(release) != _without_patch(__version__) or headers.get(DOCUMENTS) != NUMBER:
        raise NotUnderstood(both(release), remedy=RESTART)


def with_releases(error: FleetError, status: int, headers: Mapping[str, str]) -> FleetError:
    """The error of an answer; where the daemon may not know what it was asked, being of another release, it says so."""
    release = headers.get(RELEASE, "")
    if status in NOT_KNOWN_THERE and release != __version__:
        error.remedy = f"{error.remedy} Besides, {both(release)}. {RESTART}".strip()
    return error


def both(release: str) -> str:
    """The two releases, in words."""
    if not release:
        return f"the daemon is of an older release, which does not tell its number, and this command is {__version__}"
    return f"the daemon is release {shown(release, LONGEST)} and this command {__version__}"


def _without_patch(release: str) -> list[str]:
    return release.split(".")[:2]
