"""What a device remembers of changes: the open one, and how earlier ones of this boot ended."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

from .abilities import Json
from .condition import Live
from .fitting import Work
from .request import Refused

_REMEMBERED = 64


@dataclass(slots=True)
class OpenChange:
    """A change that is staged or committed, and not yet kept, reverted or aborted."""

    change: str
    staged: dict[int, Work] = field(default_factory=dict)
    contents: dict[int, Work] = field(default_factory=dict)
    phase: int = 0
    restore: Live | None = None
    reverts_at_ms: float | None = None
    dies_at_ms: float | None = None

    @property
    def deadline_ms(self) -> float | None:
        """The uptime at which it ends by itself: staged work dies, a committed change reverts if it has a timer."""
        return self.reverts_at_ms if self.committed else self.dies_at_ms

    @property
    def committed(self) -> bool:
        """Whether a phase of it is done."""
        return self.restore is not None

    def all_contents(self) -> list[Json]:
        """The slot contents staged in any phase, in phase order."""
        return [contents for phase in sorted(self.contents) for contents in self.contents[phase].slot_contents]


class Changes:
    """The open change, and the endings (`kept`, `reverted`, `aborted`) of those before it."""

    def __init__(self) -> None:
        self.open: OpenChange | None = None
        self._endings: OrderedDict[str, str] = OrderedDict()

    def ending(self, change: str) -> str | None:
        """How this change ended, where it did."""
        return self._endings.get(change)

    def end(self, change: str, ending: str) -> None:
        """Remember the ending; the change is open no more."""
        if self.open and self.open.change == change:
            self.open = None
        self._endings[change] = ending
        self._endings.move_to_end(change)
        while len(self._endings) > _REMEMBERED:
            self._endings.popitem(last=False)

    def begin(self, change: str) -> OpenChange:
        """The open change of this name, opened where it was not."""
        if self.open is None:
            self.open = OpenChange(change)
            self._endings.pop(change, None)
        return self.open

    def is_repeat(self, action: str, change: str) -> bool:
        """Whether the action only repeats how the change ended, and is answered ok."""
        ending = self.ending(change)
        return (action, ending) in {
            ("keep", "kept"),
            ("revert", "reverted"),
            ("revert", "aborted"),
            ("abort", "aborted"),
        }

    def check(self, action: str, change: str) -> None:
        """Refuse an action that this change, or another open one, does not allow; in the contract's order."""
        if action != "abort" and self.open and self.open.change != change:
            raise Refused("change_open", f"change {self.open.change} is open")
        ending = self.ending(change)
        if ending in ("aborted", "reverted"):
            raise Refused(ending, f"change {change} was {ending}")
        known = self.open is not None and self.open.change == change
        if action in ("commit", "keep", "revert") and not known:
            raise Refused("unknown_change", f"change {change} is not open")
