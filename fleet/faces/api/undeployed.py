"""The API with nothing behind it, for those who only want to know its shape."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from fastapi import FastAPI

from fleet.drivers.memory import MemoryDriver
from fleet.faces.api.app import build_api
from fleet.faces.api.routes_upkeep import add_upkeep
from fleet.faces.metrics.meters import Meters
from fleet.services.together import wire
from fleet.store.database import Database
from fleet.store.sql import SqlStore


def undeployed_api() -> FastAPI:
    """Every route of the daemon, over no devices and a database that is never opened."""
    store = SqlStore(Database("sqlite:///never-opened.db"))
    services = wire(store=store, driver=MemoryDriver([]), clock=lambda: datetime.now(UTC), new_id=lambda word: word)
    api = build_api(services, "", broker="", root="")
    add_upkeep(api, services, Meters(), home=Path(), settings=(), open_metrics=False)
    return api
