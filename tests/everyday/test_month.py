"""A month of daily use, simulated: every notice is judged right or wrong, and no audible difference goes unreported.

Dice choose what happens when (`FLEET_SEED` sets them); everything else is what a daemon does. What goes on besides:
the schedule of the hall every day, a studio without power every night, and the end of summer time on the 26th.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from fleet.model.change import ChangeRecord
from fleet.model.difference import Grade
from tests.everyday.month_events import BERLIN, COARSE, EVENTS, FINE, MINUTE, Month, agreed
from tests.everyday.month_venue import FILES, FIRST, LAST, month_boxes
from tests.everyday.virtual_days import days
from tests.services.small_venue import StagingDriver, store_at

SEED = int(os.environ.get("FLEET_SEED", "20311001"))
STUDIO = ("box-12", "box-13")
HELD_ON = (9, 19)
"""Days on which a show in the hall goes on beyond its schedule."""
AGREED_ON = 14


async def test_a_month_of_daily_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with (
        store_at(tmp_path) as store,
        days(store, StagingDriver(month_boxes()), FILES, start=FIRST) as venue,
    ):
        month = Month(days=venue, dice=Random(SEED))
        unreported = Unreported(month)
        while month.now < LAST:
            await one_day(month, unreported)
        records = await venue.services.changes.records(2000)
    verdict = month.judge.judge(venue.notices)
    events = ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in sorted(month.happened.items()))
    with capsys.disabled():
        print(f"\nseed {SEED}: a month with {month.happened.total()} events ({events})")
        print("\n".join(verdict.lines()))
        print(f"audible differences looked for {unreported.looks} times: {len(unreported.found)} unreported")
    assert verdict.wrong == []
    assert verdict.missed == []
    assert unreported.found == []
    assert unreported.looks > 100
    assert sundays(records) == {5: 1, 12: 1, 19: 1, 26: 1}, "02:30 comes once on every Sunday, also on that with two"


async def one_day(month: Month, unreported: Unreported) -> None:
    """From six in the morning to six in the morning."""
    date = month.now.astimezone(BERLIN).date()
    day = datetime(date.year, date.month, date.day, tzinfo=BERLIN)
    moments = sorted(month.dice.sample(range(9, 19, 3), 3))
    for hour in moments:
        await month.days.go(max(day.replace(hour=hour), month.now), COARSE)
        event = month.dice.choices([e for e, _ in EVENTS], [weight for _, weight in EVENTS])[0]
        month.happened[event.__name__] += 1
        await event(month)
        await month.days.go(15 * MINUTE, COARSE / 2)
        unreported.look()
    if date.day == AGREED_ON:
        month.happened["agreed"] += 1
        await agreed(month)
    if date.day == AGREED_ON + 2:
        await month.put_right("agreed deviation over", "west")
    await evening(month, day)
    unreported.look()


async def evening(month: Month, day: datetime) -> None:
    """The schedule at ten, also where a show is still on; the studio's power goes at a quarter to twelve, until six."""
    if day.day in HELD_ON:
        month.happened["hold over the schedule"] += 1
        await month.days.go(day.replace(hour=21, minute=30), COARSE)
        await month.days.services.holds.hold("hall", "1h", "tom", "a show")
        month.judge.expect("hold over the schedule", "schedule", "hall", day.replace(hour=22), 10 * MINUTE)
    await month.days.go(day.replace(hour=23, minute=45), COARSE)
    mode = month.days.services.desired.venue().rooms["hall"].mode
    assert mode == ("house" if day.day in HELD_ON else "quiet")
    for device in STUDIO:
        month.days.power_off(device)
    following = (day + timedelta(days=1)).replace(hour=5, minute=58)
    await month.days.go(following, COARSE)
    for device in STUDIO:
        month.days.power_on(device)
    await month.days.go(2 * MINUTE, FINE * 5)


class Unreported:
    """Looks for audible differences that nobody was told of, by comparing every room without the watch's help."""

    def __init__(self, month: Month) -> None:
        self._month = month
        self._right_at: dict[tuple[str, str], datetime] = {}
        self.looks = 0
        self.found: list[str] = []

    def look(self) -> None:
        """Every place that differs now was told of since it was last right."""
        services, now = self._month.days.services, self._month.now
        venue = services.desired.venue()
        self.looks += 1
        for name, room in venue.rooms.items():
            outlook = services.lookout.glance({p.device for p in room.positions.values()})
            compared = services.lookout.compare(outlook, list(room.positions.values()))
            heard = [d for d in compared.differences if d.grade >= Grade.AUDIBLE]  # agreed ones are heard as well
            differing = {(d.room, d.position) for d in heard}
            for position in room.positions:
                place = (name, position)
                if place not in differing:
                    self._right_at[place] = now
                elif not self._told(place, self._right_at.get(place, FIRST)):
                    self.found.append(f"{now:%d %H:%M} {name}/{position}")

    def _told(self, place: tuple[str, str], since: datetime) -> bool:
        room, position = place
        return any(
            n.at >= since and n.room == room and (position in n.positions or n.kind == "guest")
            for n in self._month.days.notices
        )


def sundays(records: Iterable[ChangeRecord]) -> dict[int, int]:
    """How often the schedule brought the eastern room into its service mode, by day."""
    found: dict[int, int] = {}
    for record in records:
        if record.plan.then.modes.get("east") == "service":
            day = record.started.astimezone(BERLIN).day
            found[day] = found.get(day, 0) + 1
    return found
