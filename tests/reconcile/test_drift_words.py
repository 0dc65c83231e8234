"""What the drift watch tells people: events of one matter in one sentence, blips not at all, and how a room stands."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fleet.model.difference import Comparison, Difference, Grade, NotChecked
from fleet.model.episode import Episode
from fleet.reconcile.drift_events import (
    Answers,
    Back,
    Calmed,
    Drifted,
    DriftEvent,
    Flapping,
    LinkBack,
    LinkLost,
    Missing,
    Over,
    Silenced,
    Unreachable,
)
from fleet.reconcile.drift_gathering import BACK_WITHIN, WITHIN, Waiting, gather, ripe
from fleet.reconcile.drift_words import told
from fleet.reconcile.room_standing import RoomStanding

NOON = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")
SECOND = timedelta(seconds=1)


def episode(position: str = "left", **other: Any) -> Episode:
    """A position that was recalled at its panel."""
    usual: dict[str, Any] = {
        "kind": "drift",
        "since": NOON,
        "moved": NOON,
        "rooms": ("hall",),
        "positions": (f"hall/{position}",),
        "device": f"box-{position}",
        "settings": ("live slot",),
        "grade": Grade.SERIOUS,
        "words": "slot 1 instead of 5",
        "cause": "recalled slot 1 at its panel",
        "announced": True,
    }
    return Episode(**{**usual, **other})


def missing(position: str = "left") -> Episode:
    """A device that is gone."""
    words = f"box-{position} is missing"
    return episode(position, kind="missing", grade=None, settings=(), cause="", words=words)


LINK = Episode(kind="link", since=NOON, moved=NOON, words="connection refused", announced=True)
MUTED = episode(kind="muted", words="muted by the alarm", cause="", grade=None, settings=())


@pytest.mark.parametrize(
    ("events", "words", "way_out"),
    [
        (
            [Drifted(episode=episode())],
            "hall: left differs since 14:00: slot 1 instead of 5 (serious); "
            "probable cause: recalled slot 1 at its panel",
            "fleet recall hall",
        ),
        (
            [Drifted(episode=episode(p, settings=("live level_db",), cause="not known")) for p in ("left", "right")],
            "hall: left and right differ since 14:00: left slot 1 instead of 5 (serious)",
            "fleet apply hall",
        ),
        (
            [Drifted(episode=episode(settings=("stored eq",)), worse=True)],
            "hall: left differs worse now since 14:00: slot 1 instead of 5 (serious); "
            "probable cause: recalled slot 1 at its panel",
            "fleet store hall",
        ),
        ([Over(episode=episode())], "hall: left as desired again, by itself", ""),
        ([Over(episode=episode(), reason="change")], "hall: left as desired again, by a change", ""),
        (
            [Silenced(episode=MUTED)],
            "hall: left muted by the alarm since 14:00",
            "Free the contact or the alarm that mutes it.",
        ),
        ([Over(episode=MUTED)], "hall: left not muted any more", ""),
        (
            [Missing(episodes=(missing(),))],
            "hall: left: box-left is missing; last seen 14:00",
            "fleet swap hall/left SPARE",
        ),
        (
            [Missing(episodes=(missing("a"), missing("b")))],
            "box-a and box-b are missing since 14:00: all on circuit C1",
            "Look for what they share: power, switch, cable.",
        ),
        (
            [Back(episode=missing(p)) for p in "abcde"],
            "5 devices are back; missing since 14:00",
            "",
        ),
        (
            [Flapping(episode=episode())],
            "hall: left: a difference comes and goes; nothing more is told until that stops",
            "fleet recall hall",
        ),
        (
            [Calmed(episode=episode(present=False))],
            "hall: left: it stopped coming and going; the difference is over",
            "",
        ),
        (
            [LinkLost(episode=LINK)],
            "the link to the devices' broker is down since 14:00: nothing is known of any room",
            "fleet self-check",
        ),
        ([LinkBack(episode=LINK)], "the link to the devices' broker is up again; it was down since 14:00", ""),
    ],
)
def test_a_matter_is_a_sentence_with_a_way_out(events: list[DriftEvent], words: str, way_out: str) -> None:
    found = told(events, BERLIN, NOON + timedelta(hours=1), "all on circuit C1")
    assert (found.words, found.way_out) == (words, way_out)


def rounds(*events: DriftEvent) -> list[int]:
    """How many events each matter has that is told in the end."""
    waiting = gather((), events, NOON)
    matters, rest = ripe(waiting, NOON + BACK_WITHIN)
    assert rest == ()
    return sorted(len(matter) for matter in matters)


def test_positions_of_a_room_that_drift_for_the_same_cause_are_one_matter() -> None:
    same = [Drifted(episode=episode(p)) for p in ("left", "right", "fill")]
    other = Drifted(episode=episode("sub", cause="another"))
    elsewhere = Drifted(episode=episode("desk", rooms=("foyer",), positions=("foyer/desk",)))
    assert rounds(*same, other, elsewhere) == [1, 1, 3]


def test_events_wait_for_others_for_a_bounded_time() -> None:
    waiting = gather((), [Drifted(episode=episode("left"))], NOON)
    waiting = gather(waiting, [Drifted(episode=episode("right"))], NOON + WITHIN - SECOND)
    assert ripe(waiting, NOON + WITHIN - SECOND)[0] == ()
    matters, rest = ripe(waiting, NOON + WITHIN)
    assert [len(m) for m in matters] == [2]
    assert rest == ()


def test_what_is_over_before_it_was_told_is_not_told() -> None:
    untold = episode(announced=False)
    waiting = gather((), [Drifted(episode=untold)], NOON)
    assert gather(waiting, [Over(episode=untold)], NOON + SECOND) == ()
    both = Missing(episodes=(missing("a"), missing("b")))
    (left,) = gather(gather((), [both], NOON), [Back(episode=replace(missing("a"), announced=False))], NOON)
    assert left == Waiting(event=Missing(episodes=(missing("b"),)), at=NOON)


def test_the_end_of_what_was_told_is_told_though_it_got_worse_just_before() -> None:
    waiting = gather((), [Drifted(episode=episode(), worse=True)], NOON)
    waiting = gather(waiting, [Over(episode=episode())], NOON)
    assert [type(one.event) for one in waiting] == [Over]


def difference(position: str) -> Difference:
    """A position that differs."""
    return Difference(
        room="hall",
        position=position,
        device=f"box-{position}",
        output=1,
        subject="live",
        setting="slot",
        grade=Grade.SERIOUS,
        words="slot 1 instead of 5",
        wanted="5",
        found="1",
    )


def standing(*episodes: Episode, **other: Any) -> RoomStanding:
    """The room an hour later."""
    return RoomStanding(
        room="hall", zone=BERLIN, now=NOON + timedelta(hours=1), link_since=NOON, episodes=episodes, **other
    )


def test_a_room_says_since_when_it_differs_and_why() -> None:
    one = Comparison(differences=(difference("left"),))
    two = Comparison(differences=(difference("left"), difference("right")))
    cause = ": recalled slot 1 at its panel"
    assert standing(episode()).since_words(one) == f" since 14:00{cause}"
    assert standing(episode()).since_words(two) == f", 1 of them since 14:00{cause}", "the other one stood before"
    assert standing(episode()).since(two) is None
    assert standing(episode(), episode("right")).since_words(two) == " since 14:00"
    assert standing().since_words(two) == ""
    assert standing(episode(state="flapping", present=False)).since_words(one) == ""


def test_a_room_says_when_its_missing_devices_were_last_seen() -> None:
    away = [
        NotChecked(room="hall", position=p, device=f"box-{p}", reason="missing", words="it is missing") for p in "ab"
    ]
    compared = Comparison(not_checked=tuple(away))
    seen = {"box-a": NOON, "box-b": NOON - timedelta(days=1)}
    assert standing(last_seen=seen).last_seen_words(compared) == ": last seen from 2031-05-16 14:00 to 14:00"
    assert standing(last_seen=seen).missing_words("box-a") == "box-a is missing; last seen 14:00"
    assert standing(last_seen={"box-a": NOON}).last_seen_words(compared) == "", "of the other one nothing is known"


def test_a_room_is_not_known_while_the_link_is_down() -> None:
    assert standing(link_trouble="connection refused").not_known() == "not known since 14:00: connection refused"
    assert standing().not_known() == ""


def test_devices_that_do_not_answer_are_a_sentence_and_so_is_that_they_do_again() -> None:
    hung = [
        replace(missing(p), kind="unreachable", since=NOON, last_seen=NOON - timedelta(minutes=8)) for p in ("a", "b")
    ]
    one = told([Unreachable(episode=hung[0])], BERLIN, NOON)
    assert one.kind == "unreachable"
    assert one.words == "hall: a: box-a does not answer since 14:00, last seen 13:52"
    assert one.way_out == "Switch its power off and on; if that does not help: `fleet swap hall/a SPARE`"
    both = told([Unreachable(episode=e) for e in hung], BERLIN, NOON)
    assert both.words == "box-a and box-b do not answer since 14:00, last seen 13:52 (hall: a and b)"
    back = told([Answers(episode=e) for e in hung], BERLIN, NOON)
    assert (back.kind, back.words) == ("back", "box-a and box-b answer again; they did not since 14:00")


def test_what_somebody_agreed_to_is_not_called_as_desired() -> None:
    assert told([Over(episode=episode(), reason="agreed")], BERLIN, NOON).words == "hall: left: what differs is agreed"
