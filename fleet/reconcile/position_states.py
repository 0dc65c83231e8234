"""How each position of a comparison stands, in one state, and the room with it: the gravest of its positions. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from fleet.model.difference import Comparison, Difference, Grade
from fleet.model.names import Name
from fleet.reconcile.room_standing import RoomStanding

State = Literal["right", "agreed", "alone", "muted", "silent", "differs", "serious", "away"]
GRAVITY: Final[tuple[State, ...]] = ("right", "alone", "agreed", "muted", "silent", "away", "differs", "serious")
"""From as it should be to what an engineer has to look at first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionState:
    """`alone` is life safety, `away` what could not be compared.

    `muted` is by somebody through this tool, and `silent` by an alarm or a contact.
    `words` say why, a sentence each; `differences` are all there are, slight and agreed ones among them.
    """

    state: State
    words: tuple[str, ...] = ()
    differences: tuple[Difference, ...] = ()


def position_states(
    comparison: Comparison, standing: RoomStanding | None = None
) -> Mapping[tuple[Name, Name], PositionState]:
    """The state of every position that was compared, or was to be, by room and position.

    With the room's `standing` a mute of ours is told as one, and not as a difference.
    """
    muted_by = {(m.room, m.position): m.who for m in standing.mutes} if standing is not None else {}
    found = dict.fromkeys(comparison.checked, PositionState(state="right"))
    for place, differences in _by_place(comparison.differences).items():
        counting = [d for d in differences if d.grade >= Grade.AUDIBLE]
        counting_open = [d for d in counting if d.agreed is None]
        open_ones = [d for d in counting_open if standing is None or not standing.by_our_mute(d)]
        ours = len(open_ones) < len(counting_open)
        words = tuple(d.words for d in (open_ones or (() if ours else counting)))
        words += (f"muted by {muted_by[place]}",) if ours else ()
        state: State = "muted" if ours and not open_ones else _state(counting, open_ones)
        found[place] = PositionState(state=state, words=words, differences=tuple(differences))
    for note in comparison.notes:
        place = (note.room, note.position)
        if note.silent and place in found and found[place].state in {"right", "agreed"}:
            found[place] = PositionState(state="silent", words=(note.words,), differences=found[place].differences)
    for missed in comparison.not_checked:
        left: State = "alone" if missed.reason == "life_safety" else "away"
        found[missed.room, missed.position] = PositionState(state=left, words=(missed.words,))
    return found


def gravest(states: Iterable[State]) -> State:
    """The state of a room with positions in these states; one whose only other positions are life safety is right."""
    right: State = "right"
    worst = max(states, key=GRAVITY.index, default=right)
    return right if worst in {"alone", "agreed"} else worst


def _state(counting: list[Difference], open_ones: list[Difference]) -> State:
    if open_ones:
        return "serious" if any(d.grade is Grade.SERIOUS for d in open_ones) else "differs"
    return "agreed" if counting else "right"


def _by_place(differences: Iterable[Difference]) -> dict[tuple[Name, Name], list[Difference]]:
    found: dict[tuple[Name, Name], list[Difference]] = {}
    for d in differences:
        found.setdefault((d.room, d.position), []).append(d)
    return found
