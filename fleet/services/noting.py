"""What is noted of a change as it goes on: the journal's entries, in words, until they are written down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from fleet.model.change import JournalEntry
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Commit,
    Done,
    Effect,
    Elapsed,
    Event,
    Failed,
    Heard,
    Progress,
    ReadBack,
)


class Notes:
    """Entries of one change that wait to be written, numbered on from the last one in the journal."""

    def __init__(self, change: str, clock: Callable[[], datetime]) -> None:
        self._change = change
        self._clock = clock
        self._entries: list[JournalEntry] = []
        self._number = 0

    def go_on_after(self, entries: Sequence[JournalEntry]) -> None:
        """Number on from these, which are in the journal."""
        self._number = entries[-1].number if entries else 0

    def taken(self) -> list[JournalEntry]:
        """All that wait, to be written now."""
        entries, self._entries = self._entries, []
        return entries

    def effect(self, effect: Effect) -> None:
        """A device is going to be sent something."""
        self._note(words_of(effect), device=effect.device)

    def state(self, progress: Progress) -> None:
        """The change has come into a state."""
        reasons = "; ".join(f"{d}: {w}" if d else w for d, w in (progress.stuck or progress.culprits).items())
        self._note(progress.state.value, detail=reasons)

    def event(self, progress: Progress, event: Event) -> None:
        """Something happened to a change that stands like this."""
        match event:
            case Done(device=device, turn=turn) | ReadBack(device=device, turn=turn) if turn == progress.turn:
                self._note("answered", device=device)
            case Failed(device=device, why=why):
                self._note("failed", device=device, detail=why)
            case Elapsed():
                self._note("time is up", detail=", ".join(sorted(progress.waiting)))
            case Cancel(why=why):
                self._note("cancel", detail=why)
            case Accept():
                self._note("keep", detail="a person keeps it")
            case Begin() | Done() | ReadBack() | Heard():
                return

    def _note(self, what: str, *, device: str = "", detail: str = "") -> None:
        self._number += 1
        self._entries.append(
            JournalEntry(
                change=self._change, number=self._number, at=self._clock(), what=what, device=device, detail=detail
            )
        )


def words_of(effect: Effect) -> str:
    """An effect as the journal and a person say it."""
    name = type(effect).__name__.lower()
    if isinstance(effect, Commit):
        return f"commit {effect.phase.word}"
    return {"prepare": "stage", "writeback": "write back"}.get(name, name)
