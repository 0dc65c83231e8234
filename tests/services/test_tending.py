"""The daemon's own work: it hears, takes the census, writes down, and takes the venue folder when that changes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import Event, LinkUp
from fleet.errors import BrokerDown
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.inventory import Sighting
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from fleet.tasks import end
from tests.services.small_venue import FILES, FOYER, NOON, Ids, apply, boxes, opened, until


class Linked(MemoryDriver):
    """The driver in memory, told of as one with a link."""

    async def events(self) -> AsyncIterator[Event]:
        yield LinkUp()
        async for event in super().events():
            yield event


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "venue"
    (folder / "rooms").mkdir(parents=True)
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("FLUSH_EVERY_S", "CENSUS_EVERY_S", "FOLDER_EVERY_S", "AGAIN_AFTER_S"):
        monkeypatch.setattr(f"fleet.services.tending.{name}", 0.01)


def services_over(store: Store, driver: MemoryDriver) -> Services:
    return wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())


def so(done: Callable[[], bool]) -> Callable[[], Awaitable[bool]]:
    """The same question, asked of the loop."""

    async def asked() -> bool:
        return done()

    return asked


@asynccontextmanager
async def running(tending: Tending) -> AsyncIterator[None]:
    task = asyncio.create_task(tending.run())
    try:
        yield
    finally:
        await end(task)
        assert task.cancelled()


async def test_devices_are_heard_and_written_down(store: Store) -> None:
    services = services_over(store, Linked(boxes()))

    async def written() -> bool:
        return len(await store.devices()) == 7

    listed = Sighting(device="box-8", at=NOON, source="list", address="192.0.2.8")
    async with running(Tending(services, listed=(listed,))):
        await until(so(lambda: services.inventory.online("box-9")))
        await until(written)
    assert services.inventory.link_trouble == ""
    assert services.inventory.statuses(())["box-8"] == "seen"


async def test_sightings_are_noted_and_a_browser_that_fails_is_taken_up_again(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    services = services_over(store, Linked(()))
    lives = []

    async def sightings() -> AsyncIterator[Sighting]:
        lives.append(1)
        yield Sighting(device=f"box-{len(lives)}", at=NOON, source="mdns")
        if len(lives) == 1:
            raise OSError("the network went away")
        await asyncio.Event().wait()

    async with running(Tending(services, sightings=sightings)):
        await until(so(lambda: services.inventory.announced == {"box-1", "box-2"}))
    assert "noting sightings failed; it is taken up again" in caplog.text


async def test_a_device_that_the_census_misses_is_asked_by_name(store: Store) -> None:
    driver = Linked(boxes())
    services = await opened(store, driver)
    await services.inventory.flush()

    class Silent(Linked):
        """Its devices answer, and tell nothing by themselves."""

        async def census(self) -> frozenset[str]:
            return frozenset()

        async def events(self) -> AsyncIterator[Event]:
            yield LinkUp()
            await asyncio.Event().wait()

    later = services_over(store, Silent(boxes()))
    await later.inventory.open()
    await later.desired.open()
    assert not later.inventory.online("box-1")
    async with running(Tending(later)):
        await until(so(lambda: all(later.inventory.online(d) for d in ("box-1", "box-2", "box-3", "box-4", "box-5"))))


async def test_what_a_stopped_daemon_left_is_taken_up_after_the_census(store: Store) -> None:
    services = await opened(store, Linked(boxes()))
    plan = await services.changes.plan(apply())
    left = ChangeRecord(id="c-left", plan=plan, who="ines", why="", started=NOON, state=ChangeState.STAGING)
    await store.begin_change(left)
    await services.inventory.flush()
    later = services_over(store, Linked(boxes()))

    async def settled() -> bool:
        return not await store.unfinished()

    await later.inventory.open()
    await later.desired.open()
    async with running(Tending(later)):
        await until(settled)
    record = (await store.changes())[0]
    assert (record.id, record.state) == ("c-left", ChangeState.CANCELLED)


async def test_a_census_that_fails_is_taken_again(store: Store) -> None:
    class Shaky(Linked):
        """Its first census fails while the link stays."""

        taken = 0

        async def census(self) -> frozenset[str]:
            self.taken += 1
            if self.taken == 1:
                raise BrokerDown("a slice of the census did not end")
            return await super().census()

    driver = Shaky(boxes())
    services = services_over(store, driver)
    async with running(Tending(services)):
        await until(so(lambda: driver.taken > 2))


async def test_the_venue_folder_is_taken_when_it_changes(store: Store, folder: Path) -> None:
    services = services_over(store, Linked(boxes()))
    async with running(Tending(services, folder=folder)):
        await until(so(lambda: services.desired.version is not None))
        (folder / "rooms/foyer.yaml").write_text(FOYER.replace("-10", "-11"), encoding="utf-8")

        def level_db() -> float | None:
            return services.desired.venue().rooms["foyer"].positions["desk"].fixed.level_db

        await until(so(lambda: level_db() == -11))
    assert [v.who for v in await store.versions()] == ["daemon", "daemon"], "unchanged files make no version"


async def test_a_bad_folder_is_complained_of_once_and_leaves_the_version(
    store: Store, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    services = services_over(store, Linked(boxes()))
    tending = Tending(services, folder=folder)
    await tending.load_folder()
    before = services.desired.version
    caplog.set_level(logging.WARNING)
    caplog.clear()
    room = folder / "rooms/foyer.yaml"
    for mistake in ("loud", "loud", "loud", "quiet", "quiet"):
        room.write_text(FOYER.replace("-10", mistake), encoding="utf-8")
        await tending.load_folder()
    assert len(caplog.records) == 2, "once for each mistake"
    assert "rooms/foyer.yaml:5:" in caplog.text
    assert services.desired.version is before
    room.write_text(FOYER, encoding="utf-8")
    await tending.load_folder()
    room.write_text(FOYER.replace("-10", "quiet"), encoding="utf-8")
    await tending.load_folder()
    assert len(caplog.records) == 3, "a mistake that comes back is a new one"


async def test_a_folder_that_is_gone_leaves_the_version(
    store: Store, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    services = services_over(store, Linked(boxes()))
    tending = Tending(services, folder=folder)
    await tending.load_folder()
    (folder / "venue.yaml").unlink()
    await tending.load_folder()
    assert "no venue.yaml here" in caplog.text
    assert len(services.desired.bound()) == 6
