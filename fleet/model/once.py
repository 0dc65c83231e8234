"""What was told before, so that a complaint is made once; bounded, since devices may complain in ever new words."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from typing import Final

MOST: Final = 1000


class Once:
    """Remembers the `most` things that were told last; an older one counts as new again."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._told: OrderedDict[Hashable, None] = OrderedDict()

    def first(self, thing: Hashable) -> bool:
        """Whether this is told for the first time; it counts as told from here on."""
        new = thing not in self._told
        self._told[thing] = None
        self._told.move_to_end(thing)
        if len(self._told) > self._most:
            self._told.popitem(last=False)
        return new
