"""The drift watch as a pure machine: what is drift and what is not, settling, damping, missing devices, the link."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.model.difference import Difference, Grade
from fleet.model.episode import Episode
from fleet.reconcile.drift_events import (
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
)
from fleet.reconcile.drift_facts import (
    AFTER_LINK,
    CALM_AFTER,
    FLAPS,
    FLAPS_WITHIN,
    GATHER,
    LINK_AFTER,
    MISSED_AFTER,
    SETTLE,
    SETTLE_AT_MOST,
    TOGETHER,
    Facts,
    Look,
    Reason,
    Sign,
    Watch,
)
from fleet.reconcile.drifting import due, only, taken_up, watch_on

NOON = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)
AUDIBLE, SERIOUS = Grade.AUDIBLE, Grade.SERIOUS


def differs(found: str = "-9", setting: str = "level_db", grade: Grade = AUDIBLE) -> Difference:
    """A difference of the position."""
    return Difference(
        room="hall",
        position="left",
        device="box-1",
        output=1,
        subject="live",
        setting=setting,
        grade=grade,
        words=f"{setting} {found}",
        wanted="-6",
        found=found,
    )


@dataclass
class World:
    """A watch with a clock: what it is told, and what it told."""

    watch: Watch = field(default_factory=Watch)
    now: datetime = NOON
    told: list[DriftEvent] = field(default_factory=list)

    def __call__(self, **facts: Any) -> list[DriftEvent]:
        self.watch, events = watch_on(self.watch, Facts(now=self.now, **facts))
        self.told += events
        return list(events)

    def look(self, *differences: Difference, reason: Reason = "", muted: str = "", device: str = "box-1") -> list[Any]:
        """The position was compared."""
        found = Look(
            room="hall",
            position="left",
            device=device,
            at=self.now,
            differences=differences,
            muted=muted,
            reason=reason,
        )
        return self(looks=[found])

    def sign(
        self, device: str = "box-1", *, online: bool = True, boot: str = "b-1", rooms: Any = ("hall",)
    ) -> list[Any]:
        """A device is there or not."""
        names = tuple(f"{room}/of-{device}" for room in rooms)
        one = Sign(device=device, online=online, last_seen=self.now, boot=boot, rooms=rooms, positions=names)
        return self(signs=[one])

    def wait(self, span: timedelta, **facts: Any) -> list[DriftEvent]:
        """Time passes, second by second."""
        end, told = self.now + span, []
        while self.now < end:
            self.now += timedelta(seconds=1)
            told += self(**facts)
        return told


@pytest.fixture
def world() -> World:
    """A world in which the position is as wanted."""
    world = World()
    assert world.look(reason="first") == []
    return world


def kinds(events: list[Any]) -> list[str]:
    """What was told, in words."""
    return [type(event).__name__ for event in events]


def test_what_comes_by_itself_is_told_once_with_its_beginning_and_its_end(world: World) -> None:
    (drifted,) = world.look(differs())
    assert isinstance(drifted, Drifted)
    assert (drifted.episode.since, drifted.episode.settings) == (NOON, ("live level_db",))
    world.now += timedelta(minutes=5)
    assert world.look(differs()) == []
    (over,) = world.look()
    assert isinstance(over, Over)
    assert over.episode.since == NOON


@pytest.mark.parametrize("reason", ["first", "version", "change", "guest"])
def test_what_somebody_accounts_for_is_no_drift(world: World, reason: Reason) -> None:
    assert world.look(differs(), reason=reason) == []
    assert world.look(differs()) == []
    assert world.watch.episodes == {}
    assert world.look() == [], "nobody was told that it differs, so nobody is told that it does not"
    assert kinds(world.look(differs())) == ["Drifted"], "it was right in between"


def test_another_value_than_the_one_that_stood_is_drift(world: World) -> None:
    world.look(differs("-9"), reason="first")
    (drifted,) = world.look(differs("-20", grade=SERIOUS))
    assert drifted.episode.grade is SERIOUS


def test_a_reason_for_new_differences_does_not_excuse_those_that_drifted_before(world: World) -> None:
    world.look(differs())
    assert world.look(differs(), differs("inverted", "polarity"), reason="version") == []
    (episode,) = world.watch.episodes.values()
    assert episode.settings == ("live level_db",)
    assert kinds(world.look(differs("inverted", "polarity"))) == ["Over"]


def test_growing_updates_the_episode_and_only_a_worse_grade_is_told(world: World) -> None:
    world.look(differs("-9"))
    assert world.look(differs("-10"), differs("3", "delay_ms")) == []
    (worse,) = world.look(differs("-30", grade=SERIOUS))
    assert worse == Drifted(episode=world.watch.episodes["drift hall/left"], worse=True)
    assert worse.episode.since == NOON
    assert world.look(differs("-9")) == []
    assert world.look(differs("-30", grade=SERIOUS)) == [], "it was as bad before"


def test_a_mute_of_others_is_told_and_is_no_drift(world: World) -> None:
    (event,) = world.look(muted="muted by the alarm")
    assert isinstance(event, Silenced)
    assert world.look(muted="muted by the alarm") == []
    assert kinds(world.look()) == ["Over"]
    world.look(muted="muted by the alarm", reason="first")
    assert world.look(muted="muted by the alarm") == [], "it stood at the first look"


def test_nothing_is_told_while_a_device_settles_and_what_remains_is(world: World) -> None:
    world.sign(boot="b-1")
    booted = world.now
    world.sign(boot="b-2")
    assert world.look(differs()) == []
    assert world.wait(SETTLE - timedelta(seconds=1)) == []
    (drifted,) = world.wait(timedelta(seconds=1))
    assert isinstance(drifted, Drifted)
    assert drifted.episode.since == booted, "since it powered up, not since it settled"


def test_what_a_device_puts_right_while_it_settles_is_never_told(world: World) -> None:
    world.sign(boot="b-1")
    world.sign(boot="b-2")
    world.look(differs())
    world.wait(timedelta(seconds=3))
    world.look()
    assert world.wait(timedelta(minutes=2)) == []


def test_a_device_that_never_stands_still_settles_all_the_same(world: World) -> None:
    world.sign(boot="b-1")
    world.sign(boot="b-2")
    for second in range(int(SETTLE_AT_MOST.total_seconds()) - 1):
        assert world.look(differs(str(second))) == []
        world.now += timedelta(seconds=1)
    world.now += timedelta(seconds=1)
    assert kinds(world()) == ["Drifted"]


def test_a_version_in_force_while_a_device_settles_is_judged_by_what_it_was_before(world: World) -> None:
    world.sign(boot="b-1")
    world.sign(boot="b-2")
    world.look(differs("5", "slot", SERIOUS))
    assert world.look(differs("-6"), reason="version") == []
    (drifted,) = world.wait(SETTLE)
    assert drifted.episode.settings == ("live slot",)  # type: ignore[union-attr]


def test_what_comes_and_goes_three_times_is_one_flapping_episode_until_it_is_calm(world: World) -> None:
    for _ in range(FLAPS):
        world.look(differs())
        world.wait(timedelta(seconds=10))
        world.look()
        world.wait(timedelta(seconds=10))
    assert kinds(world.told) == ["Drifted", "Over", "Drifted", "Over", "Drifted", "Flapping"]
    for _ in range(20):
        assert world.look(differs()) == []
        assert world.wait(timedelta(minutes=1)) == []
        assert world.look() == []
    (calmed,) = world.wait(CALM_AFTER)
    assert isinstance(calmed, Calmed)
    assert not calmed.episode.present
    assert world.watch.episodes == {}
    assert kinds(world.look(differs())) == ["Drifted"]


def test_what_is_still_wrong_when_it_is_calm_stays_open(world: World) -> None:
    for _ in range(FLAPS):
        world.look(differs())
        world.look()
    world.look(differs())
    (calmed,) = world.wait(CALM_AFTER)
    assert isinstance(calmed, Calmed)
    assert calmed.episode.state == "open"
    assert kinds(world.look()) == ["Over"]


def test_ends_that_are_far_apart_do_not_flap(world: World) -> None:
    for _ in range(5):
        world.look(differs())
        world.look()
        world.wait(FLAPS_WITHIN / 2 + timedelta(seconds=1))
    assert kinds(world.told) == ["Drifted", "Over"] * 5


def test_a_restart_is_not_missed(world: World) -> None:
    world.sign(online=False)
    assert world.wait(MISSED_AFTER - timedelta(seconds=1)) == []
    world.sign()
    assert world.wait(timedelta(minutes=5)) == []


def test_a_device_that_stays_away_is_missed_once_and_told_when_it_is_back(world: World) -> None:
    gone = world.now
    world.sign(online=False)
    (missing,) = world.wait(MISSED_AFTER + GATHER)
    assert isinstance(missing, Missing)
    assert [(e.device, e.since) for e in missing.episodes] == [("box-1", gone)]
    world.sign(online=False)
    assert world.wait(timedelta(hours=1)) == []
    assert kinds(world.sign()) == ["Back"]


def test_devices_that_go_together_are_one_matter(world: World) -> None:
    for number in range(1, 8):
        world.sign(f"box-{number}", online=False)
        world.wait(timedelta(seconds=4))
    told = world.wait(timedelta(minutes=2))
    assert kinds(told) == ["Missing"]
    assert len(told[0].episodes) == 7  # type: ignore[union-attr]


def test_devices_that_go_apart_are_two(world: World) -> None:
    world.sign("box-1", online=False)
    world.wait(TOGETHER + timedelta(seconds=1))
    world.sign("box-2", online=False)
    world.wait(timedelta(minutes=1))
    assert [len(e.episodes) for e in world.told if isinstance(e, Missing)] == [1, 1]


def test_a_room_with_off_hours_is_not_missed_until_they_are_over(world: World) -> None:
    off = frozenset({"hall"})
    world.sign("box-1", online=False)
    world.sign("box-2", online=False, rooms=("hall", "foyer"))
    told = world.wait(timedelta(hours=1), off=off)
    assert [e.device for e in told[0].episodes] == ["box-2"], "the foyer needs it"  # type: ignore[union-attr]
    (late,) = world.wait(timedelta(minutes=1))
    assert [(e.device, e.since) for e in late.episodes] == [("box-1", NOON)]  # type: ignore[union-attr]


def test_while_the_link_is_down_no_device_is_missing(world: World) -> None:
    world.sign("box-1", online=False)
    told = world.wait(LINK_AFTER + timedelta(minutes=30), link_trouble="connection refused")
    assert kinds(told) == ["LinkLost"]
    assert told[0].episode.since == NOON + timedelta(seconds=1)  # type: ignore[union-attr]
    assert kinds(world()) == ["LinkBack"]
    world.sign("box-1", online=False)
    assert world.wait(AFTER_LINK) == []
    assert kinds(world.wait(GATHER)) == ["Missing"]


def test_a_short_break_of_the_link_is_not_worth_a_word(world: World) -> None:
    world.wait(LINK_AFTER - timedelta(seconds=1), link_trouble="connection refused")
    assert world() == []
    assert world.told == []


def test_what_was_told_before_a_restart_is_not_told_again(world: World) -> None:
    world.look(differs())
    world.sign("box-2", online=False)
    world.wait(timedelta(minutes=1))
    again = World(watch=taken_up(world.watch.episodes.values(), world.watch.accounted, world.now), now=world.now)
    again.look(differs())
    again.sign("box-2", online=False)
    again.wait(timedelta(minutes=5))
    assert again.told == []
    assert again.watch.episodes["drift hall/left"].since == NOON
    assert kinds(again.look() + again.sign("box-2")) == ["Over", "Back"]


def test_what_left_the_files_is_over_where_it_was_told(world: World) -> None:
    world.look(differs())
    told = {key: replace(episode, announced=True) for key, episode in world.watch.episodes.items()}
    left, events = only(replace(world.watch, episodes=told), (), (), world.now)
    assert kinds(list(events)) == ["Over"]
    assert left.episodes == {}
    assert only(world.watch, (), (), world.now)[1] == ()


def test_something_that_is_due_is_done_when_it_is_due_and_not_before(world: World) -> None:
    world.sign(boot="b-1")
    world.sign(boot="b-2")
    world.look(differs())
    while (at := due(world.watch)) is not None:
        assert at >= world.now
        world.now = at
        before = world.watch
        world()
        assert world.watch != before, f"nothing was to be done at {at}"
        if world.told and isinstance(world.told[-1], Drifted):
            world.look()
    assert kinds(world.told) == ["Drifted", "Over"]


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["right", "level", "slot", "both", "muted", "boot", "gone", "there", "nothing"]),
        st.integers(min_value=0, max_value=400),
    ),
    max_size=80,
)
SHOWN: dict[str, tuple[Difference, ...]] = {
    "right": (),
    "level": (differs(),),
    "slot": (differs("5", "slot", SERIOUS),),
    "both": (differs(), differs("5", "slot", SERIOUS)),
}


def play(world: World, steps: list[tuple[str, int]], *, stood: tuple[Difference, ...] = ()) -> None:
    """Let a device do things, some seconds apart."""
    boots = 1
    for what, seconds in steps:
        if what in SHOWN:
            world.look(*stood, *SHOWN[what])
        elif what == "muted":
            world.look(*stood, muted="muted by the alarm")
        elif what == "boot":
            boots += 1
            world.sign(boot=f"b-{boots}")
        elif what in ("gone", "there"):
            world.sign(online=what == "there", boot=f"b-{boots}")
        world.now += timedelta(seconds=seconds)
        world()


def episodes_of(event: DriftEvent) -> tuple[Episode, ...]:
    """The episodes that an event is about."""
    return event.episodes if isinstance(event, Missing) else (event.episode,)


@settings(max_examples=300, deadline=None)
@given(STEPS)
def test_no_episode_is_told_to_begin_twice_without_an_end_between(steps: list[tuple[str, int]]) -> None:
    world = World()
    world.look(reason="first")
    play(world, steps)
    begun: dict[str, Grade | None] = {}
    for event in world.told:
        for episode in episodes_of(event):
            match event:
                case Drifted(worse=True):
                    assert (begun[episode.key] or 0) < (episode.grade or 0)
                    begun[episode.key] = episode.grade
                case Drifted() | Silenced() | Missing() | LinkLost():
                    assert episode.key not in begun
                    begun[episode.key] = episode.grade
                case Over() | Back() | LinkBack() | Flapping():
                    del begun[episode.key]
                case Calmed() if episode.present:
                    begun[episode.key] = episode.grade


@settings(max_examples=300, deadline=None)
@given(st.lists(st.integers(min_value=0, max_value=900), max_size=120))
def test_what_flaps_is_told_once_in_a_quiet_period(gaps: list[int]) -> None:
    world = World()
    world.look(reason="first")
    seconds = [(("level", "right")[index % 2], gap) for index, gap in enumerate(gaps)]
    play(world, seconds)
    flapping = False
    for event in world.told:
        if flapping:
            assert isinstance(event, Calmed)
        flapping = isinstance(event, Flapping)
    span = sum(gaps)
    most = 2 * FLAPS * (1 + span // FLAPS_WITHIN.total_seconds()) + 2
    assert len(world.told) <= most, "ends within the time that makes them flap are at most so many"


@settings(max_examples=300, deadline=None)
@given(STEPS)
def test_what_stood_at_the_first_look_never_drifts(steps: list[tuple[str, int]]) -> None:
    stood = (differs("inverted", "polarity", SERIOUS),)
    world = World()
    world.look(*stood, reason="first")
    play(world, steps, stood=stood)
    for event in world.told:
        for episode in episodes_of(event):
            assert "live polarity" not in episode.settings
