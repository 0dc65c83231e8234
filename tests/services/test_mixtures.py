"""Everything that a person may begin, in a room that stands in each way a room may stand: done, or refused in words.

The table below is the contract. A kind of change, or a kind of value that may stand, without its line in here fails.
"""

from __future__ import annotations

import itertools
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any, Final, get_args

import pytest

from fleet.errors import FleetError
from fleet.model.access import AccessSession, AccessToken
from fleet.model.change import ChangeState
from fleet.model.deviation import AgreedDeviation
from fleet.model.episode import AccountedFor, Episode
from fleet.model.guest import GuestSession
from fleet.model.plan import PlanKind
from fleet.model.receiver import Delivery
from fleet.model.repair import Repairs
from fleet.model.selecting import ContactMark, ScheduleMark, ToldOff
from fleet.model.standing import LevelEnd, LevelsTold, OperatorLevel, OurMute, RoomMode, SlotsWritten
from fleet.model.swap import SwapState
from fleet.reconcile.scope import Scope
from fleet.services.binding import AskedBinding
from fleet.services.capturing import AskedCapture
from fleet.services.deviations import Signed
from fleet.services.guests import AskedGuest
from fleet.services.level_asked import LevelAsked
from fleet.services.planning import Asked
from fleet.services.swap_asked import AskedSwap
from fleet.services.walk_beginning import AskedWalk
from fleet.store.protocol import Store
from fleet.store.standing import KINDS
from tests.services.guest_scene import Scene
from tests.services.modes_venue import EVERY_GUARD, FILES_WITH_MODES
from tests.services.small_venue import all_sound, box, end_of, hear_all

ROOM: Final = "weir-hall"
SPARE: Final = "box-7"
FILES: Final = {
    path: text.replace("fills: {level_db: -12}", "fills: {level_db: {between: [-20, -8]}}")
    for path, text in FILES_WITH_MODES.items()
}

TABLE: Final = """
             plain    mode     held     guest    offer    walk     trial    muted    level    agreed
apply        done     done     hold     guest    done     walk     trial    done     done     done
recall       done     done     hold     guest    done     walk     trial    done     done     done
into mode    done     done     hold     guest    done     walk     trial    done     done     done
store        done     done     hold     guest    done     walk     trial    done     done     done
level        done     range    done     done     done     walk     trial    done     done     done
mute         done     done     done     done     done     done     done     nothing  done     done
unmute       nothing  nothing  nothing  nothing  nothing  nothing  nothing  done     nothing  nothing
rollback     done     done     hold     guest    done     walk     trial    done     done     done
walk         done     done     hold     guest    done     walk     trial    nothing  done     done
swap         done     done     hold     done     done     walk     trial    muted    done     done
bind         done     done     done     done     done     walk     trial    done     done     done
capture      done     mode     done     guest    done     walk     trial    done     done     done
restart      done     done     hold     guest    done     walk     trial    done     done     done
guest        done     done     done     guest    offer    walk     trial    done     done     done
hold         done     done     done     done     done     done     done     done     done     done
agree        done     done     done     done     done     walk     trial    done     done     agreed
"""
REFUSALS: Final = {
    "hold": "is on hold",
    "guest": "guest",
    "offer": "can still be put back",
    "walk": "walk",
    "trial": "on trial",
    "mode": "is in mode night",
    "agreed": "agreed already",
    "muted": "is muted by ines, and would sound",
    "range": "in mode night may be moved: none has a range",
}
"""What a refusal says of the way in which the room stands."""
NOT_OF_ROOMS: Final = {
    ScheduleMark: "up to when a schedule is dealt with",
    ContactMark: "what a contact said last",
    ToldOff: "what was told",
    SlotsWritten: "when slots were written",
    LevelsTold: "what levels a device told last",
    Delivery: "who was told",
    Episode: "what drifts, which nothing is refused for",
    AccountedFor: "what is no drift",
    Repairs: "what was repaired",
    AccessToken: "who may do what",
    AccessSession: "who is signed in",
}
"""Kinds that stand, and are no way in which a room stands."""


async def change(scene: Scene, asked: Asked, **more: Any) -> str:
    """A change as a face carries it out, with every guard lifted that asks of itself."""
    plan = await scene.services.changes.plan(asked)
    if plan.empty():
        return "nothing"
    record = await scene.services.changes.start(
        asked, digest=plan.digest, who="ines", why="a test", allow=EVERY_GUARD, **more
    )
    if more:
        return (await scene.services.changes.wait(record.id, 20, or_trial=True)).state
    record = await end_of(scene.services.changes, record.id)
    await hear_all(scene.services, scene.driver)
    assert record.state is ChangeState.KEPT, record.culprits
    return "done"


def of_room(kind: PlanKind, **other: Any) -> Callable[[Scene], Awaitable[str]]:
    asked = Asked(kind=kind, scope=Scope(rooms=(ROOM,)), who="ines", **other)
    return lambda scene: change(scene, asked)


async def rolled_back(scene: Scene) -> str:
    first = (await scene.services.changes.records())[-1]
    return await change(scene, Asked(kind="rollback", change=first.id))


async def walked(scene: Scene) -> str:
    walking = scene.services.walking
    walk = await walking.begin(AskedWalk(room=ROOM), "ines")
    try:
        walk = await walking.step(walk.id, "next", "ines")
    finally:
        await walking.end(walk.id, "ines")
    return "done" if walk.now is not None else "nothing"


async def swapped(scene: Scene) -> str:
    asked = AskedSwap(position=f"{ROOM}/fill", device=SPARE)
    plan = await scene.services.swapping.plan(asked)
    swap = await scene.services.swapping.begin(asked, digest=plan.digest, who="ines", why="")
    swap = await scene.services.swapping.wait(swap.id, 30)
    assert swap.state is SwapState.DONE, swap.words
    return "done"


async def bound(scene: Scene) -> str:
    one = await scene.services.binding.bind(AskedBinding(position=f"{ROOM}/fill", device=SPARE), "ines")
    assert one.position.device == SPARE
    return "done"


async def captured(scene: Scene) -> str:
    asked = AskedCapture(room=ROOM, devices=("box-3",), into=f"rooms/{ROOM}.yaml")
    await scene.services.capturing.plan(asked, "ines")
    return "done"


async def restarted(scene: Scene) -> str:
    await scene.services.power.plan(Scope(rooms=(ROOM,)), who="ines")
    return "done"


async def guest_let_in(scene: Scene) -> str:
    await scene.services.guests.begin(AskedGuest(room=ROOM, guest="Choir", until="2h", who="ines"))
    return "done"


async def held(scene: Scene) -> str:
    await scene.services.holds.hold(ROOM, "2h", "tom")
    return "done"


async def agreed(scene: Scene) -> str:
    found = await scene.services.deviations.look(ROOM, "main-left")
    signed = Signed(until="2031-06-30", reason="the row is closed", owner="Ana", who="ines")
    await scene.services.deviations.agree(ROOM, "main-left", (), signed, digest=found.digest)
    return "done"


ACTIONS: Final[dict[str, Callable[[Scene], Awaitable[str]]]] = {
    "apply": of_room("apply"),
    "recall": of_room("recall"),
    "into mode": of_room("recall", modes={ROOM: "speech"}),
    "store": of_room("store"),
    "level": of_room("level", level=LevelAsked(to_db=-14.0)),
    "mute": of_room("mute"),
    "unmute": of_room("unmute"),
    "rollback": rolled_back,
    "walk": walked,
    "swap": swapped,
    "bind": bound,
    "capture": captured,
    "restart": restarted,
    "guest": guest_let_in,
    "hold": held,
    "agree": agreed,
}


async def as_it_is(scene: Scene) -> None:
    del scene


async def in_a_mode(scene: Scene) -> None:
    assert await change(scene, Asked(kind="recall", scope=Scope(rooms=(ROOM,)), modes={ROOM: "night"})) == "done"
    await scene.at_desk("box-1", level_db=-3.0)


async def with_a_guest(scene: Scene) -> None:
    await guest_let_in(scene)


async def after_a_guest(scene: Scene) -> None:
    await guest_let_in(scene)
    await scene.at_desk("box-3", level_db=-9.5)
    session = await scene.services.guests.end(ROOM, "ines")
    assert session.apart == ("fill",)


async def being_walked(scene: Scene) -> None:
    walk = await scene.services.walking.begin(AskedWalk(room=ROOM), "otto")
    assert (await scene.services.walking.step(walk.id, "next", "otto")).now is not None


async def on_trial(scene: Scene) -> None:
    asked = Asked(kind="recall", scope=Scope(rooms=(ROOM,)), modes={ROOM: "night"})
    assert await change(scene, asked, keep_within_s=600) == ChangeState.ON_TRIAL


async def muted(scene: Scene) -> None:
    assert await ACTIONS["mute"](scene) == "done"


async def level_chosen(scene: Scene) -> None:
    level = LevelAsked(to_db=-13.0, until="2h")
    assert await change(scene, Asked(kind="level", scope=Scope(rooms=(ROOM,)), level=level)) == "done"


async def agreed_to(scene: Scene) -> None:
    await agreed(scene)
    await scene.at_desk("box-2", level_db=-2.0)


async def on_hold(scene: Scene) -> None:
    await held(scene)


STANDS: Final[dict[str, tuple[Callable[[Scene], Awaitable[None]], tuple[type, ...]]]] = {
    "plain": (as_it_is, ()),
    "mode": (in_a_mode, (RoomMode,)),
    "held": (on_hold, ()),
    "guest": (with_a_guest, (GuestSession,)),
    "offer": (after_a_guest, (GuestSession,)),
    "walk": (being_walked, ()),
    "trial": (on_trial, ()),
    "muted": (muted, (OurMute,)),
    "level": (level_chosen, (OperatorLevel, LevelEnd)),
    "agreed": (agreed_to, (AgreedDeviation,)),
}
"""How a room may stand: how it comes to that, and what stands then."""


def cells() -> dict[tuple[str, str], str]:
    """What is expected, by action and by how the room stands."""
    head, *lines = TABLE.strip("\n").splitlines()
    columns = head.split()
    found = {}
    for line in lines:
        *name, expected = line[:13].strip(), line[13:].split()
        assert len(expected) == len(columns), line
        found |= {(name[0], column): cell for column, cell in zip(columns, expected, strict=True)}
    return found


@asynccontextmanager
async def a_room(store: Store, stands: str) -> AsyncIterator[Scene]:
    """The room that stands so. A main is louder than it should be: something to put right, and quickly."""
    scene = Scene(store)
    scene.driver.devices[SPARE] = box(SPARE)
    await scene.open()
    await scene.services.desired.load(FILES, "ines", allow=["older"])
    await scene.put_right(ROOM)
    bring_about, kinds = STANDS[stands]
    await scene.at_desk("box-1", level_db=-3.0)
    await bring_about(scene)
    await hear_all(scene.services, scene.driver)
    for kind in kinds:
        assert await store.standing(kind), f"no {kind.__name__} stands"
    yield scene
    await scene.services.close()


async def everything(scene: Scene) -> tuple[Any, ...]:
    """All that an action could leave half done."""
    services = scene.services
    standing = [await services.store.standing(kind) for kind in KINDS if kind not in NOT_OF_ROOMS]
    changes = [(r.id, r.state) for r in await services.changes.records()]
    walks = [replace(w, ended=None) for w in await services.walking.walks()]
    files = dict(services.desired.in_force().files)
    return all_sound(scene.driver), files, standing, changes, walks, await services.swapping.swaps()


@pytest.mark.parametrize(
    ("stands", "of_stand"),
    [(stands, [(action, cell) for (action, column), cell in cells().items() if column == stands]) for stands in STANDS],
    ids=list(STANDS),
)
async def test_what_is_refused_says_why_and_leaves_everything_as_it_is(
    store: Store, stands: str, of_stand: list[tuple[str, str]]
) -> None:
    async with a_room(store, stands) as scene:
        before = await everything(scene)
        for action, expected in of_stand:
            if expected in ("done", "nothing"):
                continue
            with pytest.raises(FleetError) as refused:
                pytest.fail(f"{action} is {await ACTIONS[action](scene)}, and is to be refused")
            said = str(refused.value)
            assert REFUSALS[expected] in said, f"{action}: {said}"
            assert said.endswith(".") or "`fleet " in said, f"{action} has no way out: {said}"
            assert await everything(scene) == before, f"{action} was refused and left something"


@pytest.mark.parametrize(
    ("action", "stands"),
    [cell for cell, expected in cells().items() if expected in ("done", "nothing")],
    ids=str,
)
async def test_what_is_done_is_done_wholly(store: Store, action: str, stands: str) -> None:
    async with a_room(store, stands) as scene:
        assert await ACTIONS[action](scene) == cells()[action, stands]


def test_every_action_in_every_way_a_room_may_stand_is_in_the_table() -> None:
    assert set(cells()) == set(itertools.product(ACTIONS, STANDS))
    assert set(get_args(PlanKind)) <= set(ACTIONS), "a kind of change without its line"


def test_every_kind_of_value_that_may_stand_is_a_way_in_which_a_room_stands_or_none() -> None:
    of_rooms = {kind for _, kinds in STANDS.values() for kind in kinds}
    assert of_rooms | set(NOT_OF_ROOMS) == set(KINDS)
    assert not of_rooms & set(NOT_OF_ROOMS)
