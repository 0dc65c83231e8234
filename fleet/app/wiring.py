"""The one place that wires concrete parts together: store, broker, driver, discovery, clock, services, API."""

from __future__ import annotations

import asyncio
import getpass
import logging
import os
import secrets
import signal
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from datetime import time as wall_time
from pathlib import Path
from random import Random

from fleet.app.logs import Devices, Zone, log_to_stderr, logging_to
from fleet.app.private import keep_private
from fleet.app.reaching import outside_of
from fleet.discovery.addresses import AddressList, read_addresses
from fleet.discovery.broker_address import BrokerAddress
from fleet.discovery.brokers import announced_broker, find_broker
from fleet.discovery.browse import Browser
from fleet.discovery.records import FoundBroker
from fleet.drivers.mqtt.broker import embedded_broker
from fleet.drivers.mqtt.contacts import ContactLink
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.tls import tls_context
from fleet.errors import BadFiles, BadInput, BrokerDown, FleetError
from fleet.faces.api.app import build_api
from fleet.faces.api.routes_upkeep import add_upkeep
from fleet.faces.api.serving import HOST, serve
from fleet.faces.cli.configuration import in_force
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.faces.cli.home import open_home
from fleet.faces.cli.secret_places import refuse_open_file
from fleet.faces.metrics.meters import Meters
from fleet.faces.metrics.observed import observed_driver, observed_store
from fleet.faces.notices.receivers import receivers_of
from fleet.faces.proof.keys import signing_key
from fleet.faces.proof.stamps import HttpStamper
from fleet.services.snapshots_sealed import Proof
from fleet.services.tending import Tending
from fleet.services.together import wire
from fleet.store.sql import open_store
from fleet.tasks import end

log = logging.getLogger("fleet")

FIND_BROKER_WITHIN_S = 10.0


def run(config: DaemonConfig) -> None:
    """Run a daemon until SIGINT or SIGTERM. Raises `FleetError` where it cannot start."""
    devices, zone = Devices(), Zone()
    log_to_stderr(config, devices, zone)
    asyncio.run(_daemon(config, devices, zone))


async def _daemon(config: DaemonConfig, devices: Devices, zone: Zone) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    async with AsyncExitStack() as stack:
        home = stack.enter_context(open_home(config.home))
        stack.enter_context(logging_to(home.path, devices))
        listed = _listed(config)
        store = await stack.enter_async_context(open_store(config.database or f"sqlite:///{home.path}/fleet.db"))
        keep_private(config)
        await store.claim(_who(), _now())
        broker = await stack.enter_async_context(_broker(config, listed))
        meters = Meters()
        controller = await store.controller(lambda: _new_id("fleet"))
        driver = MqttDriver(
            broker,
            config.root,
            controller,
            new_id=lambda: _new_id("r"),
            clock=time.monotonic,
            random=Random(),  # noqa: S311  # spreads reconnections, guards nothing
            timings=Timings(),
        )
        services = wire(
            store=observed_store(store, meters),
            driver=observed_driver(driver, meters),
            clock=_now,
            new_id=_new_id,
            port=broker.port,
            folder=config.venue,
            receivers=receivers_of(config.notices),
            proof=_proof(config, home.path),
        )
        outside = await outside_of(config, services.access)  # before anything is begun that would have to be ended
        await stack.enter_async_context(driver)
        await services.inventory.open()
        devices.known = services.inventory.online
        zone.known = lambda: services.desired.zone
        await services.desired.open()
        browser = await _browser(config, stack, lambda broker: driver.wake() if broker.root == config.root else None)
        contacts = ContactLink(
            broker,
            config.root,
            f"{controller}-contacts",
            random=Random(),  # noqa: S311  # spreads reconnections, guards nothing
            timings=Timings(),
            heard=services.contacts.heard,
        )
        services.contacts.follow(contacts.subscribe)
        tending = Tending(
            services,
            sightings=browser.sightings if browser else None,
            listed=listed.sightings,
            folder=config.venue,
            hear_contacts=contacts.run,
        )
        if config.venue is not None:
            await tending.load_folder()
        work = asyncio.create_task(tending.run(), name="tending")
        hosts = (*config.hosts, config.bind)
        api = build_api(services, home.token, broker=str(broker), root=config.root, hosts=hosts)
        settings = in_force(config)
        add_upkeep(api, services, meters, home=home.path, settings=settings, open_metrics=config.open_metrics)
        address = HOST if outside is not None else config.bind
        async with serve(api, config.port, address=address, outside=outside) as url:
            home.publish(url)
            log.info("the daemon serves %s; devices meet it at %s", url, broker)
            await stop.wait()
            await services.close()
        await end(work)
        await services.inventory.flush()


def _proof(config: DaemonConfig, home: Path) -> Proof:
    return Proof(
        signer=signing_key(home),
        stamper=HttpStamper(config.timestamp_url) if config.timestamp_url else None,
        snapshot_at=wall_time.fromisoformat(config.snapshot_at) if config.snapshot_at else None,
        kept_days=config.snapshots_kept_days,
    )


@asynccontextmanager
async def _broker(config: DaemonConfig, listed: AddressList) -> AsyncIterator[BrokerAddress]:
    """The broker to use: one of our own, one that mDNS announces, or the one that was named."""
    if config.broker == "embedded":
        async with embedded_broker() as address, _announced(address, config.root):
            yield address
    elif config.broker == "find":
        found = await find_broker(config.root, FIND_BROKER_WITHIN_S, config.interfaces)
        if found is not None:
            yield found.address
        elif listed.brokers:
            yield listed.brokers[0]
        else:
            raise BrokerDown(f"no broker announces the topic root {config.root}", remedy="Name one with --broker.")
    else:
        address = BrokerAddress.parse(config.broker, config.broker_ca)
        if address.tls:
            tls_context(address)  # certificates that cannot be read are told at once
        yield address


@asynccontextmanager
async def _announced(broker: BrokerAddress, root: str) -> AsyncIterator[None]:
    """Announce our own broker where mDNS works, which takes seconds; the daemon does its work meanwhile, or without."""
    announcing = asyncio.create_task(_announce(broker, root), name="announcing the broker")
    try:
        yield
    finally:
        await end(announcing)


async def _announce(broker: BrokerAddress, root: str) -> None:
    try:
        async with announced_broker(broker, root, f"fleet-broker-{broker.port}"):
            await asyncio.Event().wait()
    except (FleetError, OSError) as error:
        log.warning("the broker is not announced by mDNS: %s", error)


async def _browser(
    config: DaemonConfig, stack: AsyncExitStack, on_broker: Callable[[FoundBroker], None]
) -> Browser | None:
    try:
        return await stack.enter_async_context(Browser(config.interfaces, now=_now, on_broker=on_broker))
    except BadInput as error:
        if config.interfaces:
            raise
        log.warning("devices are not looked for by mDNS: %s", error)
        return None


def _listed(config: DaemonConfig) -> AddressList:
    if config.addresses is None:
        return AddressList()
    try:
        text = config.addresses.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"the list of addresses cannot be read: {error}", where=str(config.addresses)) from None
    listed = read_addresses(text, str(config.addresses), _now())
    if listed.complaints:
        raise BadFiles(listed.complaints)
    if any(broker.password for broker in listed.brokers):
        refuse_open_file(config.addresses)
    return listed


def _now() -> datetime:
    return datetime.now(UTC)


def _who() -> str:
    """This daemon, for another one that would use the same database."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):
        user = f"uid-{os.getuid()}"
    return f"{user}@{socket.gethostname()} pid {os.getpid()}"


def _new_id(beginning: str) -> str:
    return f"{beginning}-{secrets.token_hex(4)}"
