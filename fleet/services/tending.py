"""The daemon's own work: hear devices, take the census, note sightings, take the venue folder when it changes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

from fleet.desired.folder import read_folder
from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.errors import FleetError
from fleet.model.audit import Act
from fleet.model.inventory import Sighting
from fleet.services.audit import DAEMON
from fleet.services.together import Daily, Services
from fleet.tasks import end

log = logging.getLogger(__name__)

FLUSH_EVERY_S = 1.0
TICK_EVERY_S = 0.25
CENSUS_EVERY_S = 300.0
FOLDER_EVERY_S = 2.0
AGAIN_AFTER_S = 5.0


class Tending:
    """Keeps the services fed for as long as `run` runs."""

    def __init__(
        self,
        services: Services,
        *,
        sightings: Callable[[], AsyncIterator[Sighting]] | None = None,
        listed: tuple[Sighting, ...] = (),
        folder: Path | None = None,
        hear_contacts: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        self._services = services
        self._hear_contacts = hear_contacts
        self._sightings = sightings
        self._listed = listed
        self._folder = folder
        self._connected = asyncio.Event()
        self._recovered = False
        self._ready = asyncio.Event()
        """The first census is taken, and what a stopped daemon left was taken up."""
        self._last_complaint = ""

    async def run(self) -> None:
        """Tend until cancelled. A task that fails is logged and taken up again."""
        for sighting in self._listed:
            self._services.inventory.see(sighting)
        jobs: dict[str, Callable[[], Awaitable[None]]] = {
            "hearing devices": self._hear,
            "taking the census": self._census,
            "writing the inventory": self._flush,
        }
        jobs |= {f"tending {type(one).__name__.lower()}": self._ticking(one) for one in self._services.daily}
        if self._sightings is not None:
            jobs["noting sightings"] = self._note_sightings
        if self._hear_contacts is not None:
            jobs["hearing contacts"] = self._hear_contacts
        if self._folder is not None:
            jobs["watching the venue folder"] = self._watch_folder
        tasks = [asyncio.create_task(self._lasting(name, job), name=name) for name, job in jobs.items()]
        try:
            await asyncio.wait(tasks)
        finally:
            await end(*tasks)

    async def _lasting(self, name: str, job: Callable[[], Awaitable[None]]) -> None:
        while True:
            try:
                await job()
                log.error("%s ended by itself; it is taken up again", name)
            except FleetError as error:
                log.warning("%s: %s", name, error)
            except Exception:
                log.exception("%s failed; it is taken up again", name)
            await asyncio.sleep(AGAIN_AFTER_S)

    async def _hear(self) -> None:
        async for event in self._services.driver.events():
            self._services.inventory.hear(event)
            if isinstance(event, LinkUp):
                log.info("connected to the devices' broker")
                self._connected.set()
            elif isinstance(event, LinkDown):
                log.warning("the devices' broker cannot be reached (%s); trying again", event.why)

    async def _census(self) -> None:
        """After each connection and now and then: read the census, then ask by name whom it did not tell of."""
        while True:
            await self._connected.wait()
            self._connected.clear()
            try:
                await self._count()
            except Exception:
                if not self._services.inventory.link_trouble:
                    self._connected.set()
                raise
            try:
                async with asyncio.timeout(CENSUS_EVERY_S):
                    await self._connected.wait()
            except TimeoutError:
                self._connected.set()

    async def _count(self) -> None:
        await self._services.driver.census()
        await asyncio.sleep(0)
        await self._ask_absent()
        if not self._recovered:
            await self._services.changes.recover()
            await self._services.swapping.recover()
            await self._services.walking.recover()
            self._recovered = True
            self._ready.set()

    async def _ask_absent(self) -> None:
        inventory = self._services.inventory
        descriptions = inventory.descriptions()
        absent = [d for d in sorted(self._services.desired.bound() & set(descriptions)) if not inventory.online(d)]

        async def ask(device: str) -> None:
            try:
                inventory.take(await self._services.driver.read(descriptions[device]))
            except FleetError as error:
                log.info("missing: %s", error)

        await asyncio.gather(*(ask(device) for device in absent))

    async def _flush(self) -> None:
        while True:
            await asyncio.sleep(FLUSH_EVERY_S)
            await self._services.inventory.flush()

    def _ticking(self, daily: Daily) -> Callable[[], Awaitable[None]]:
        """Tick a service once the devices were read, each on its own: a slow one holds up no other."""

        async def ticking() -> None:
            await self._ready.wait()
            while True:
                await daily.tick()
                await asyncio.sleep(TICK_EVERY_S)

        return ticking

    async def _note_sightings(self) -> None:
        assert self._sightings is not None
        async for sighting in self._sightings():
            self._services.inventory.see(sighting)
            if not sighting.gone:
                self._services.driver.wake()

    async def _watch_folder(self) -> None:
        while True:
            await self.load_folder()
            await asyncio.sleep(FOLDER_EVERY_S)

    async def load_folder(self) -> None:
        """Put the venue folder in force if it changed and passes; complain once about what does not."""
        assert self._folder is not None
        try:
            async with self._services.desired.taking:  # an edit writes the folder and is put in force as one
                files = await asyncio.to_thread(read_folder, self._folder)
                result = await self._services.desired.put_in_force(files, "daemon")
        except FleetError as error:
            if str(error) != self._last_complaint:
                log.warning("the venue folder is not taken:\n%s", error)
            self._last_complaint = str(error)
            return
        self._last_complaint = ""
        if not result.unchanged:
            log.info("version %d of the venue is in force", result.number)
            what = f"version {result.number} of the venue's files put in force"
            self._services.audit.note(Act(who=DAEMON, role=DAEMON, what=what, source=DAEMON, result="done"))
