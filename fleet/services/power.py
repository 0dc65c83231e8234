"""Power: devices restarted in waves by circuit, waited for until all are up, and the house curve recalled after it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime

from fleet.drivers.protocol import Driver
from fleet.errors import FleetError, NotFound, Refused
from fleet.model.names import shown
from fleet.model.plan import check_guard_names
from fleet.model.restart import Restart
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.guards import unlifted
from fleet.reconcile.scope import Scope, work_out
from fleet.reconcile.starting import restart_guards, waves
from fleet.services.change_refusals import refusal
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from fleet.tasks import end

log = logging.getLogger(__name__)

PAUSE_S = 3.0
"""Between two waves: an inrush current is over within a second, and the supply has recovered by then."""
BACK_WITHIN_S = 120.0
LOOK_EVERY_S = 0.1
MOST_REMEMBERED = 50
RECALLED_WITHIN_S = 300.0


class Power:
    """Restarts devices, and waits for them."""

    def __init__(  # noqa: PLR0913 - one collaborator each for the waves, the wait and the recall after them
        self,
        *,
        store: Store,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        changes: Changes,
        in_use: InUse,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._changes = changes
        self._in_use = in_use
        self._clock = clock
        self._new_id = new_id
        self._restarts: dict[str, Restart] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}

    async def plan(
        self, scope: Scope, *, who: str, why: str = "", recall: bool = True, allow: Collection[str] = ()
    ) -> Restart:
        """What a restart of a scope would do. Raises `NotFound`, or `Refused` where something speaks against it."""
        restart, _ = await self._planned(scope, who, why, allow, recall=recall)
        return restart

    async def start(
        self, scope: Scope, *, who: str, why: str = "", recall: bool = True, allow: Collection[str] = ()
    ) -> Restart:
        """Begin a restart; it goes on by itself, its recall with these guard rails lifted, too. Raises as `plan`."""
        check_guard_names(allow)
        restart, reported = await self._planned(scope, who, why, allow, recall=recall)
        epoch = await self._store.epoch()
        self._restarts[restart.id] = restart
        for old in list(self._restarts)[:-MOST_REMEMBERED]:
            del self._restarts[old]
        work = self._carry_out(restart, scope, reported, epoch, allow)
        self._tasks[restart.id] = asyncio.create_task(work, name=f"restart {restart.id}")
        self._tasks[restart.id].add_done_callback(lambda _: self._tasks.pop(restart.id, None))
        return restart

    async def wait(self, restart: str, timeout_s: float) -> Restart:
        """The restart, when it has ended or so many seconds have passed. Raises `NotFound`."""
        if restart not in self._restarts:
            raise NotFound(f"no restart {shown(restart)!r} since the daemon started")
        if (task := self._tasks.get(restart)) is not None:
            await asyncio.wait({task}, timeout=timeout_s)
        return self._restarts[restart]

    def missing(self, rooms: Collection[str]) -> tuple[Position, ...]:
        """Positions of rooms whose devices are not up; those of life safety are not waited for. Raises `NotFound`."""
        venue = self._desired.venue()
        positions = work_out(venue, Scope(rooms=tuple(rooms)), {}).positions
        return tuple(p for p in positions if not p.life_safety and not self._inventory.online(p.device))

    async def close(self) -> None:
        """Begin no further wave; what was restarted comes back by itself."""
        await end(*self._tasks.values())

    async def _planned(
        self, scope: Scope, who: str, why: str, allow: Collection[str], *, recall: bool
    ) -> tuple[Restart, dict[str, Reported]]:
        venue = self._desired.venue()
        positions = work_out(venue, scope, {}).positions
        devices = {p.device for p in positions if not p.life_safety}
        outlook = await self._lookout.look(devices)
        if hits := unlifted(restart_guards(devices, scope, outlook), allow):
            raise refusal(hits)
        await self._in_use.refuse_at_work(scope.rooms, devices)
        able = devices & set(outlook.reported)
        if not able:
            raise Refused(f"no device of {scope.words} answers: there is none to restart")
        circuits = {p.device: p.references.circuit for p in venue.positions() if p.device in able}
        restart = Restart(
            id=self._new_id(),
            rooms=scope.rooms,
            scope=scope.words,
            waves=waves(able, circuits),
            who=who,
            why=why,
            began=self._clock(),
            recall=recall,
            words={d: outlook.unreachable.get(d, "is not known") for d in sorted(devices - able)},
        )
        return restart, {d: outlook.reported[d] for d in able}

    async def _carry_out(
        self,
        restart: Restart,
        scope: Scope,
        reported: dict[str, Reported],
        epoch: int,
        allow: Collection[str],
    ) -> None:
        try:
            for number, wave in enumerate(restart.waves):
                if number:
                    await asyncio.sleep(PAUSE_S)
                restart = await self._restart_wave(restart, wave, reported, epoch)
            restart = await self._until_back(self._note(restart, state="waiting"), reported)
            if restart.recall:
                restart = await self._recall(self._note(restart, state="recalling"), scope, allow)
            self._note(restart, state="failed" if restart.trouble else "done")
            log.info("restart %s (%s) by %s is over", restart.id, restart.scope, restart.who)
        except Exception:
            self._note(self._restarts[restart.id], state="failed", trouble="something went wrong here; see `fleet log`")
            raise

    async def _restart_wave(
        self, restart: Restart, wave: Collection[str], reported: dict[str, Reported], epoch: int
    ) -> Restart:
        async def one(device: str) -> str:
            try:
                seen = reported[device]
                await self._driver.restart(seen.description, seen.state.moment, epoch)
            except FleetError as error:
                return str(error)
            return ""

        answers = dict(zip(wave, await asyncio.gather(*map(one, wave)), strict=True))
        done = tuple(d for d, words in answers.items() if not words)
        refused = {d: words for d, words in answers.items() if words}
        return self._note(restart, restarted=(*restart.restarted, *done), words={**restart.words, **refused})

    async def _until_back(self, restart: Restart, before: dict[str, Reported]) -> Restart:
        """Wait until every device that was restarted is up in a new boot, at most so long."""
        deadline = asyncio.get_running_loop().time() + BACK_WITHIN_S
        while True:
            back = tuple(d for d in restart.restarted if self._is_back(d, before[d]))
            if back != restart.back:
                restart = self._note(restart, back=back)
            away = [d for d in restart.restarted if d not in back]
            if not away or asyncio.get_running_loop().time() > deadline:
                words = dict.fromkeys(away, f"is not back after {BACK_WITHIN_S:g} s")
                return self._note(restart, words={**restart.words, **words})
            await asyncio.sleep(LOOK_EVERY_S)

    def _is_back(self, device: str, before: Reported) -> bool:
        state = self._inventory.known(device).state
        return self._inventory.online(device) and state is not None and state.boot_count > before.state.boot_count

    async def _recall(self, restart: Restart, scope: Scope, allow: Collection[str]) -> Restart:
        """Bring the house curve back. What refuses it is told."""
        try:
            plan = await self._changes.plan(Asked(kind="recall", scope=scope))
            if plan.empty():
                return restart
            record = await self._changes.begin(plan, who=restart.who, why=restart.why or "after a restart", allow=allow)
            restart = self._note(restart, change=record.id)
            record = await self._changes.wait(record.id, RECALLED_WITHIN_S)
        except FleetError as error:
            return self._note(restart, trouble=f"the house curve was not recalled: {error}")
        if record.state != "kept":
            return self._note(restart, trouble=f"the recall is {record.state}: `fleet changes {record.id}` tells why")
        return restart

    def _note(self, restart: Restart, **moved: object) -> Restart:
        self._restarts[restart.id] = replace(restart, **moved)  # type: ignore[arg-type]  # members by name
        return self._restarts[restart.id]
