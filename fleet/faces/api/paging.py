"""Lists that grow come in pages: `limit` entries, and `next`, which is the `after` of the page that follows.

`next` is opaque, and stands in a `Link` header as well (RFC 8288). It names the last entry of its page: what is added
to the list meanwhile neither repeats nor hides any other.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Annotated, Final, TypeVar

from fastapi import Depends, Query, Request, Response
from pydantic import AfterValidator, AwareDatetime

from fleet.errors import BadInput
from fleet.faces.documents import Document

T = TypeVar("T")

USUAL: Final = 50
LARGEST: Final = 500


def _in_utc(at: datetime) -> datetime:
    """The moment as it is stored; one that is outside of every calendar there is a mistake of who asks."""
    try:
        return at.astimezone(UTC)
    except OverflowError:
        raise ValueError("no such moment in UTC") from None


Limit = Annotated[int, Query(ge=1, le=LARGEST, description="At most so many entries.")]
Since = Annotated[AwareDatetime, AfterValidator(_in_utc), Query(description="Not older than this.")]
After = Annotated[str | None, Query(max_length=400, description="`next` of the page before; none for the first one.")]


class Paging:
    """The page that a request asks for."""

    def __init__(self, request: Request, response: Response, limit: Limit = USUAL, after: After = None) -> None:
        self._request = request
        self._response = response
        self._list = request.url.path
        self.limit = limit
        self.place = _place(after, self._list) if after else ""
        """Where the page before ended, as the list has named it; empty for the first page."""

    @property
    def looked_at(self) -> int:
        """How many entries to look for: one more than the page has, which tells whether there is another page."""
        return self.limit + 1

    def page(
        self, found: Sequence[T], place: Callable[[T], str], document: Callable[[Sequence[T]], Document]
    ) -> Document:
        """The document of a page, of what was `found` behind its place; `place` names an entry within the list."""
        ours = found[: self.limit]
        after = _cursor(place(ours[-1]), self._list) if len(found) > len(ours) else None
        if after is not None:
            url = self._request.url.include_query_params(after=after)
            self._response.headers["Link"] = f'<{url.path}?{url.query}>; rel="next"'
        return {**document(ours), "next": after}

    def from_all(
        self, everything: Sequence[T], place: Callable[[T], str], document: Callable[[Sequence[T]], Document]
    ) -> Document:
        """The same of a list that is at hand as a whole. Where the entry of the cursor is gone, its number tells."""
        start = 0
        if self.place:
            number, _, name = self.place.partition(" ")
            known = (i + 1 for i, one in enumerate(everything) if place(one) == name)
            start = next(known, int(number) if number.isdecimal() else 0)
        found = list(enumerate(everything))[start : start + self.looked_at]
        return self.page(
            found, lambda one: f"{one[0] + 1} {place(one[1])}", lambda ours: document([entry for _, entry in ours])
        )


Paged = Annotated[Paging, Depends()]


def _cursor(place: str, list_name: str) -> str:
    return base64.urlsafe_b64encode(f"{list_name}\n{place}".encode()).decode().rstrip("=")


def _place(after: str, list_name: str) -> str:
    """What a cursor of this list names. Raises `BadInput` for anything else."""
    try:
        told = base64.b64decode(after + "=" * (-len(after) % 4), altchars=b"-_", validate=True).decode()
    except (binascii.Error, UnicodeDecodeError, ValueError):
        told = ""
    name, newline, place = told.partition("\n")
    if name != list_name or not newline or not place or not place.isprintable():
        raise BadInput("this is no place in this list", where="after", remedy="Take `next` of the page before.")
    return place
