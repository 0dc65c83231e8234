"""A room on hold: nothing in it is changed until the hold runs out or the room is released."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet.errors import BadInput, NotFound, Refused
from fleet.reconcile.scope import Scope
from fleet.services.holds import time_of
from fleet.services.planning import Asked
from fleet.services.together import Services
from tests.services.small_venue import NOON

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("text", "until"),
    [
        ("2h", NOON + timedelta(hours=2)),
        ("90m", NOON + timedelta(minutes=90)),
        ("1h30m", NOON + timedelta(minutes=90)),
        ("23:30", datetime(2031, 5, 17, 21, 30, tzinfo=UTC)),  # summer time: two hours ahead of UTC
        ("06:00", datetime(2031, 5, 18, 4, 0, tzinfo=UTC)),
        ("2031-05-17T20:00", datetime(2031, 5, 17, 18, 0, tzinfo=UTC)),
        ("2031-05-17T20:00+00:00", datetime(2031, 5, 17, 20, 0, tzinfo=UTC)),
    ],
)
def test_the_ways_to_say_until_when(text: str, until: datetime) -> None:
    assert time_of(text, NOON, BERLIN) == until


@pytest.mark.parametrize("text", ["", "soon", "25:00", "0m", "h", "2031-05-17T10:00+00:00", "2031-07-01T00:00", "999h"])
def test_what_is_no_time_or_too_far_away_is_refused_by_the_option_s_name(text: str) -> None:
    with pytest.raises(BadInput, match="--until"):
        time_of(text, NOON, BERLIN)


async def test_nothing_in_a_room_on_hold_is_changed_until_it_is_released(services: Services) -> None:
    await services.holds.hold("weir-hall", "2h", "ana", "evening performance")
    asked = Asked(kind="apply", scope=Scope(rooms=("weir-hall",)))
    plan = await services.changes.plan(asked)
    assert [hit.guard for hit in plan.guards if not hit.may_allow] == ["hold"]
    with pytest.raises(Refused, match=r"weir-hall is on hold: ana, until 2031-05-17 16:00 CEST") as refused:
        await services.changes.start(asked, digest=plan.digest, who="ben", why="", allow=["hold", "rise", "half-room"])
    assert "hold" in refused.value.guards
    other = await services.changes.plan(Asked(kind="apply", scope=Scope(rooms=("foyer",))))
    assert "hold" not in [hit.guard for hit in other.guards]
    await services.holds.release("weir-hall")
    plan = await services.changes.plan(asked)
    assert "hold" not in [hit.guard for hit in plan.guards]


async def test_a_hold_is_moved_by_whoever_holds_the_room_and_by_nobody_else(services: Services) -> None:
    await services.holds.hold("weir-hall", "2h", "ana", "evening performance")
    with pytest.raises(Refused, match=r"weir-hall is on hold by ana until 16:00\b.*fleet release weir-hall"):
        await services.holds.hold("weir-hall", "4h", "ben")
    await services.holds.hold("weir-hall", "3h", "ana", "it goes on")
    (held,) = (await services.holds.current()).values()
    assert (held.who, held.until, held.why) == ("ana", NOON + timedelta(hours=3), "it goes on")


async def test_unknown_rooms_and_rooms_that_are_not_on_hold_are_said_so(services: Services) -> None:
    with pytest.raises(NotFound, match="attic"):
        await services.holds.hold("attic", "2h", "ana")
    with pytest.raises(Refused, match="not on hold"):
        await services.holds.release("foyer")
