"""How a position stands in one word, and a room by its gravest position."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from fleet.model.difference import Agreed, Comparison, Difference, Grade, NotChecked, Note
from fleet.model.standing import OurMute
from fleet.reconcile.position_states import GRAVITY, State, gravest, position_states
from fleet.reconcile.room_standing import RoomStanding

NOON = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)
LOUDER = Difference(
    room="hall",
    position="left",
    device="box-1",
    output=1,
    subject="live",
    setting="level_db",
    grade=Grade.AUDIBLE,
    words="4 dB louder than wanted",
    wanted="-6 dB",
    found="-2 dB",
)
MUTED = replace(LOUDER, setting="mute", grade=Grade.SERIOUS, words="muted by controller")
SIGNED = Agreed(owner="ines", reason="a column", until=date(2031, 6, 1))
ALARM = Note(room="hall", position="left", device="box-1", words="muted by an alarm", silent=True)
GONE = NotChecked(room="hall", position="left", device="box-1", reason="missing", words="box-1 is missing")
OURS = OurMute(room="hall", position="left", device="box-1", output=1, at=NOON, who="Foyer tablet", change="change-1")
STANDING = RoomStanding(room="hall", zone=ZoneInfo("UTC"), now=NOON, link_since=NOON, mutes=(OURS,))


@pytest.mark.parametrize(
    ("differences", "notes", "state", "words"),
    [
        ((), (), "right", ()),
        ((replace(LOUDER, grade=Grade.SLIGHT),), (), "right", ()),
        ((LOUDER,), (), "differs", ("4 dB louder than wanted",)),
        ((LOUDER, MUTED), (), "serious", ("4 dB louder than wanted", "muted by controller")),
        ((replace(LOUDER, agreed=SIGNED),), (), "agreed", ("4 dB louder than wanted",)),
        ((), (ALARM,), "silent", ("muted by an alarm",)),
        ((replace(LOUDER, agreed=SIGNED),), (ALARM,), "silent", ("muted by an alarm",)),
        ((LOUDER,), (ALARM,), "differs", ("4 dB louder than wanted",)),
    ],
)
def test_a_position_has_the_state_of_its_gravest_difference(
    differences: tuple[Difference, ...], notes: tuple[Note, ...], state: State, words: tuple[str, ...]
) -> None:
    found = position_states(Comparison(checked=(("hall", "left"),), differences=differences, notes=notes))
    assert (found["hall", "left"].state, found["hall", "left"].words) == (state, words)
    assert found["hall", "left"].differences == differences, "slight and agreed ones are there as well"


@pytest.mark.parametrize(("reason", "state"), [("missing", "away"), ("conflicting", "away"), ("life_safety", "alone")])
def test_what_was_not_checked_is_never_said_to_be_right(reason: str, state: State) -> None:
    missed = replace(GONE, reason=reason)  # type: ignore[arg-type]  # one of those there are
    found = position_states(Comparison(not_checked=(missed,)))
    assert (found["hall", "left"].state, found["hall", "left"].words) == (state, ("box-1 is missing",))


def test_a_mute_of_ours_is_told_as_one_and_hides_nothing_else() -> None:
    place = ("hall", "left")
    muted = Comparison(checked=(place,), differences=(MUTED,))
    assert position_states(muted)[place].state == "serious", "unless it is known to be ours"
    ours = position_states(muted, STANDING)[place]
    assert (ours.state, ours.words) == ("muted", ("muted by Foyer tablet",))
    both = position_states(Comparison(checked=(place,), differences=(LOUDER, MUTED)), STANDING)[place]
    assert (both.state, both.words) == ("differs", ("4 dB louder than wanted", "muted by Foyer tablet"))


def test_a_room_is_as_its_gravest_position() -> None:
    assert gravest([]) == "right"
    assert gravest(["right", "alone", "agreed"]) == "right"
    for number, state in enumerate(GRAVITY[3:], start=3):
        assert gravest(GRAVITY[: number + 1]) == state
