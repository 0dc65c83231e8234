"""All checks that need no daemon, over one set of settings."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fleet.discovery.broker_address import BrokerAddress
from fleet.services.self_check.broker import BROKER, check_broker
from fleet.services.self_check.clock import check_synchronised, check_zone
from fleet.services.self_check.database import CLOCK, DATABASE, check_database
from fleet.services.self_check.folders import check_home, check_space
from fleet.services.self_check.installation import check_installation
from fleet.services.self_check.mdns import check_mdns
from fleet.services.self_check.result import Result, not_checked
from fleet.store.database import SQLITE


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is checked. Where there is no broker or no database to ask, `no_broker` and `no_database` say why."""

    home: Path
    database: str
    no_database: str
    broker: BrokerAddress | None
    no_broker: str
    root: str
    interfaces: Sequence[str]
    least_free_mb: int


async def check_all(subject: Subject, now: datetime) -> list[Result]:
    """Everything, in an order that leads from the ground up."""
    is_file = subject.database.startswith(SQLITE)  # one that only the daemon may know is PostgreSQL
    found = check_installation(extras=() if is_file else ("postgres",))
    found += [*check_home(subject.home), check_space("home", subject.home, subject.least_free_mb)]
    if is_file and (folder := Path(subject.database.removeprefix(SQLITE)).parent).resolve() != subject.home.resolve():
        found.append(check_space("database", folder, subject.least_free_mb))
    for group in await asyncio.gather(
        _database(subject, now),
        _broker(subject),
        check_mdns(subject.interfaces),
        _clock(),
    ):
        found += group
    return found


async def _database(subject: Subject, now: datetime) -> list[Result]:
    if not subject.database:
        return [not_checked(check, subject.no_database) for check in (DATABASE, CLOCK)]
    return await check_database(subject.database, now)


async def _broker(subject: Subject) -> list[Result]:
    if subject.broker is None:
        return [not_checked(BROKER, subject.no_broker)]
    return await check_broker(subject.broker, subject.root)


async def _clock() -> list[Result]:
    return [check_zone(), await check_synchronised()]
