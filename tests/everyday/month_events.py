"""What happens in the month: hands at panels, power, guests, contacts, people at the tool; and what each leads to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.model.change import ChangeState
from fleet.model.plan import PlanKind
from fleet.reconcile.scope import Scope
from fleet.services.deviations import Signed
from fleet.services.guests import AskedGuest
from fleet.services.level_asked import LevelAsked
from fleet.services.planning import Asked
from tests.everyday.month_judge import Judge
from tests.everyday.virtual_days import Days

BERLIN = ZoneInfo("Europe/Berlin")
MINUTE = timedelta(minutes=1)
FINE, COARSE = timedelta(seconds=2), timedelta(minutes=10)
FIXED = {
    "hall/main-left": "box-1",
    "hall/fill-1": "box-3",
    "hall/fill-2": "box-4",
    "east/left": "box-5",
    "east/right": "box-6",
    "west/desk": "box-7",
    "studio/corner-1": "box-12",
}
LIFT = ("rise", "half-room", "many-devices", "unmanaged", "live-click")


@dataclass
class Month:
    """A month under way: the venue, the dice, and what is expected so far."""

    days: Days
    dice: Random
    judge: Judge = field(default_factory=Judge)
    happened: Counter[str] = field(default_factory=Counter)
    repaired: datetime | None = None
    """When the foyer put itself right last."""

    @property
    def now(self) -> datetime:
        return self.days.now()

    async def do(self, kind: PlanKind, room: str, **asked: object) -> None:
        """A person does something to a room with the tool, and it is kept."""
        changes = self.days.services.changes
        wish = Asked(kind=kind, scope=Scope(rooms=(room,)), **asked)  # type: ignore[arg-type]  # members by name
        plan = await changes.plan(wish)
        if plan.empty():
            return
        record = await changes.begin(plan, who="ana", why="the month", allow=LIFT)
        await self.days.settle()
        record = await changes.record(record.id)
        assert record.state is ChangeState.KEPT, record
        await self.days.go(10 * FINE, FINE)

    def expect_over(self, event: str, room: str, most: int = 1) -> None:
        """What was put right may be told of."""
        self.judge.expect(event, "drift over", room, self.now, 15 * MINUTE, most=most, must=False)

    async def put_right(self, event: str, room: str, kind: PlanKind = "apply") -> None:
        """After a while somebody puts the room right."""
        await self.days.go(timedelta(minutes=self.dice.randint(3, 30)), COARSE)
        self.expect_over(event, room, most=4)
        await self.do(kind, room)


async def hand_at_a_panel(month: Month) -> None:
    """A level is turned far from what is wanted; the room is put right later."""
    place, device = month.dice.choice(sorted(FIXED.items()))
    room, position = place.split("/")
    month.judge.expect("hand at a panel", "drift", room, month.now, MINUTE, positions=[position])
    present = month.days.driver.devices[device].live.outputs[1].level_db
    assert present is not None
    month.days.press(device, level_db=present - month.dice.choice([3.0, 5.0, 8.0]))
    await month.days.go(MINUTE, FINE)
    await month.put_right("hand at a panel", room)


async def hand_that_turns_back(month: Month) -> None:
    """A level is turned away and back."""
    place, device = month.dice.choice(sorted(FIXED.items()))
    room, position = place.split("/")
    present = month.days.driver.devices[device].live.outputs[1].level_db
    assert present is not None
    month.judge.expect("hand that turns back", "drift", room, month.now, MINUTE, positions=[position])
    month.days.press(device, level_db=present - 4.0)
    await month.days.go(5 * MINUTE, FINE)
    month.judge.expect("hand that turns back", "drift over", room, month.now, MINUTE, positions=[position])
    month.days.press(device, level_db=present)
    await month.days.go(MINUTE, FINE)


async def slot_recalled_at_a_panel(month: Month) -> None:
    """Somebody recalls a factory slot in the hall."""
    device, position = month.dice.choice([("box-3", "fill-1"), ("box-4", "fill-2")])
    month.judge.expect(
        "slot recalled at a panel", "drift", "hall", month.now, MINUTE, positions=[position], says="recalled slot 1"
    )
    month.days.recall(device, 1)
    await month.days.go(MINUTE, FINE)
    await month.put_right("slot recalled at a panel", "hall", "recall")


async def slight_turn(month: Month) -> None:
    """A level is turned by less than can be heard: nothing is told."""
    _, device = month.dice.choice(sorted(FIXED.items()))
    present = month.days.driver.devices[device].live.outputs[1].level_db
    assert present is not None
    month.days.press(device, level_db=present - 0.5)
    await month.days.go(2 * MINUTE, FINE)
    month.days.press(device, level_db=present)
    await month.days.go(MINUTE, FINE)


async def wall_panel(month: Month) -> None:
    """The bar is turned up and down within its range: nothing is told."""
    for _ in range(3):
        month.days.press("box-8", level_db=float(month.dice.randint(-20, -6)))
        await month.days.go(MINUTE, 5 * FINE)


async def operator_level(month: Month) -> None:
    """The operator moves the bar for an hour: it returns by itself, and nothing is told."""
    before = [month.days.driver.devices[d].live.outputs[1].level_db for d in ("box-8", "box-10")]
    by_db = 1.0 if all(level is not None and level <= -8 for level in before) else -2.0
    await month.do("level", "bar", level=LevelAsked(by_db=by_db, until="1h", who="ana"))
    await month.days.go(70 * MINUTE, COARSE)
    after = [month.days.driver.devices[d].live.outputs[1].level_db for d in ("box-8", "box-10")]
    assert after == before, "the level returns at its end"


async def circuit_cut(month: Month) -> None:
    """A circuit of the hall is cut; its boxes come back in a factory slot, and the house curve is recalled."""
    boxes, positions = ("box-1", "box-2", "box-3"), ("main-left", "main-right", "fill-1")
    month.judge.expect("circuit cut", "missing", "", month.now, 2 * MINUTE, positions=positions, says="LP-1")
    for device in boxes:
        month.days.power_off(device)
    await month.days.go(timedelta(minutes=month.dice.randint(2, 10)), 5 * FINE)
    month.judge.expect("circuit cut", "back", "", month.now, 3 * MINUTE, positions=positions)
    month.judge.expect("circuit cut", "drift", "hall", month.now, 3 * MINUTE, positions=positions, says="slot 1")
    for device in boxes:
        month.days.power_on(device)
    await month.days.go(3 * MINUTE, FINE)
    await month.put_right("circuit cut", "hall", "recall")


async def quick_restart(month: Month) -> None:
    """A box restarts and is as it was: nothing is told."""
    device = month.dice.choice(["box-5", "box-7", "box-8", "box-12"])
    month.days.power_off(device)
    await month.days.go(4 * FINE, FINE)
    month.days.power_on(device)
    await month.days.go(2 * MINUTE, FINE)


async def comes_and_goes(month: Month) -> None:
    """A loose key mutes and unmutes a box: it is told that it comes and goes, and then nothing more."""
    turns = 6
    begin = month.now
    for kind, most, must in (("drift", 3, True), ("drift over", 3, True), ("flapping", 2, True)):
        month.judge.expect(
            "comes and goes",
            kind,
            "west",
            begin,
            40 * MINUTE,
            positions=["desk"],
            most=most,
            must=must,  # type: ignore[arg-type]
        )
    for _ in range(turns):
        mute(month, "box-7", muted=True)
        await month.days.go(20 * FINE, FINE)
        mute(month, "box-7", muted=False)
        await month.days.go(20 * FINE, FINE)
    await month.days.go(30 * MINUTE, MINUTE)


async def alarm_mute(month: Month) -> None:
    """An alarm mutes a box and lets it go again: both are told, and neither is drift."""
    box = month.days.driver.devices["box-6"]
    month.judge.expect("alarm mute", "muted", "east", month.now, MINUTE, positions=["right"])
    box.mute_causes[1] = ("alarm",)
    month.days.driver.touched("box-6")
    await month.days.go(5 * MINUTE, FINE)
    month.judge.expect("alarm mute", "muted", "east", month.now, MINUTE, positions=["right"], says="not muted any more")
    box.mute_causes[1] = ()
    month.days.driver.touched("box-6")
    await month.days.go(MINUTE, FINE)


async def guest(month: Month) -> None:
    """A guest has the studio: what they turn is no drift; at the end it is offered to put the room back, and done."""
    guests = month.days.services.guests
    await guests.begin(AskedGuest(room="studio", guest="Reed Trio", until="2h", who="ana", ceiling_db=-6.0))
    month.days.press("box-12", level_db=-18.0)
    mute(month, "box-13", muted=True)
    await month.days.go(30 * MINUTE, MINUTE)
    month.judge.expect("guest above the ceiling", "guest", "studio", month.now, MINUTE, says="ceiling")
    month.days.press("box-12", level_db=-3.0)
    await month.days.go(10 * MINUTE, FINE * 5)
    month.days.press("box-12", level_db=-18.0)
    month.judge.expect("end of a guest", "guest", "studio", month.now, 2 * timedelta(hours=1))
    await month.days.go(90 * MINUTE, MINUTE)
    plan = await guests.plan_put_back("studio")
    month.judge.expect("room put back", "guest", "studio", month.now, 15 * MINUTE, must=False)
    record = await guests.put_back("studio", digest=plan.digest, who="ana", why="the guest left", allow=LIFT)
    await month.days.settle()
    assert (await month.days.services.changes.record(record.id)).state is ChangeState.KEPT
    await month.days.go(5 * MINUTE, 5 * FINE)


async def chatter(month: Month) -> None:
    """The partition's contact chatters: that is told once, and no room changes its mode."""
    contacts = month.days.services.contacts
    before = dict(month.days.services.desired.modes)
    month.judge.expect("chatter", "contact", "", month.now, 5 * MINUTE, says="building/partition")
    for number in range(25):  # the last word is that it is closed, as it was
        contacts.heard("building/partition", b"open" if number % 2 else b"closed")
        await month.days.go(FINE, FINE)
    await month.days.go(5 * MINUTE, FINE)
    assert dict(month.days.services.desired.modes) == before


async def partition(month: Month) -> None:
    """The partition is opened for an hour: both rooms go along, and nothing is told."""
    contacts, desired = month.days.services.contacts, month.days.services.desired
    contacts.heard("building/partition", b"open")
    await month.days.go(MINUTE, FINE)
    assert {desired.venue().rooms[room].mode for room in ("east", "west")} == {"combined"}
    await month.days.go(60 * MINUTE, COARSE)
    contacts.heard("building/partition", b"closed")
    await month.days.go(MINUTE, FINE)
    assert {desired.venue().rooms[room].mode for room in ("east", "west")} == {"house"}


async def self_repair(month: Month) -> None:
    """The foyer drifts, and puts itself right; what drifts again within a day is left to people, and told."""
    month.judge.expect("self-repair", "drift", "foyer", month.now, MINUTE, positions=["desk"])
    month.judge.expect("self-repair", "repair", "foyer", month.now, 3 * MINUTE, positions=["desk"])
    month.expect_over("self-repair", "foyer")
    month.days.press("box-11", level_db=-14.0)
    again = month.repaired is not None and month.now - month.repaired < timedelta(hours=24)
    await month.days.go(5 * MINUTE, FINE)
    if again:
        assert month.days.driver.devices["box-11"].live.outputs[1].level_db == -14.0
        await month.put_right("self-repair", "foyer")
        return
    assert month.days.driver.devices["box-11"].live.outputs[1].level_db == -10.0
    month.repaired = month.now


async def link_outage(month: Month) -> None:
    """The broker is away for three minutes: one word of it, one that it is back, and no device is missed."""
    inventory, driver = month.days.services.inventory, month.days.driver
    month.judge.expect("link outage", "link", "", month.now, 2 * MINUTE, says="is down")
    inventory.hear(LinkDown(why="connection refused"))
    await month.days.go(3 * MINUTE, FINE)
    month.judge.expect("link outage", "link", "", month.now, 2 * MINUTE, says="is up again")
    inventory.hear(LinkUp())
    for device in driver.devices.values():
        driver._tell_all(device)
    await month.days.go(3 * MINUTE, FINE)


async def box_hangs(month: Month) -> None:
    """A box is there and does not answer, and is turned meanwhile: both are told, and it is not shown as it was."""
    place, device = month.dice.choice(sorted(FIXED.items()))
    room, position = place.split("/")
    box = month.days.driver.devices[device]
    present = box.live.outputs[1].level_db
    assert present is not None
    month.judge.expect("box hangs", "unreachable", room, month.now, 25 * MINUTE, positions=[position])
    box.hangs = True
    month.days.press(device, level_db=present - 5.0)
    for _ in range(5):
        await month.days.driver.census()  # the broker tells again what it retains
        await month.days.go(5 * MINUTE, 15 * FINE)
    not_shown_as_right(month, room, position)
    month.judge.expect("box hangs", "back", room, month.now, 3 * MINUTE, positions=[position])
    month.judge.expect("box hangs", "drift", room, month.now, 3 * MINUTE, positions=[position])
    box.hangs = False
    await month.days.go(3 * MINUTE, FINE)
    await month.put_right("box hangs", room)


def not_shown_as_right(month: Month, room: str, position: str) -> None:
    """What is known of the position is old, and so it is not compared."""
    services = month.days.services
    positions = list(services.desired.venue().rooms[room].positions.values())
    compared = services.lookout.compare(services.lookout.glance({p.device for p in positions}), positions)
    words = {n.position: n.words for n in compared.not_checked}
    assert "does not answer since" in words[position]
    assert "last seen" in words[position]


async def agreed(month: Month) -> None:
    """A difference is signed for until tomorrow night: told when it begins as drift and when its time is over."""
    month.judge.expect("agreed deviation", "drift", "west", month.now, MINUTE, positions=["desk"])
    month.days.press("box-7", level_db=-16.0)
    await month.days.go(MINUTE, FINE)
    deviations = month.days.services.deviations
    found = await deviations.look("west", "desk")
    until = (month.now.astimezone(BERLIN).date() + timedelta(days=1)).isoformat()
    signed = Signed(until=until, reason="a stand is in the way", owner="Ana", who="ana")
    await deviations.agree(found.room, found.position, (), signed, digest=found.digest)
    month.judge.expect("agreed deviation", "deviation", "west", month.now, timedelta(hours=60), most=2)
    month.expect_over("agreed deviation", "west")
    month.judge.expect("agreed deviation over", "drift", "west", month.now, timedelta(hours=60), must=False)
    await month.days.go(MINUTE, FINE)


def mute(month: Month, device: str, *, muted: bool) -> None:
    """The mute key at the panel."""
    month.days.driver.devices[device].mute_causes[1] = ("panel",) if muted else ()
    month.days.driver.touched(device)


Event = Callable[[Month], Awaitable[None]]
EVENTS: Sequence[tuple[Event, int]] = (
    (hand_at_a_panel, 8),
    (hand_that_turns_back, 4),
    (slot_recalled_at_a_panel, 4),
    (slight_turn, 4),
    (wall_panel, 4),
    (operator_level, 3),
    (circuit_cut, 3),
    (quick_restart, 4),
    (comes_and_goes, 2),
    (alarm_mute, 2),
    (guest, 2),
    (chatter, 2),
    (partition, 3),
    (self_repair, 2),
    (link_outage, 2),
    (box_hangs, 3),
)
"""What may happen on a day, and how often beside the others."""
