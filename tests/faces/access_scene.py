"""The API over real services with a clock that stands still until it is moved, and callers of every kind."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient

from fleet.drivers.protocol import LinkUp
from fleet.faces.api.app import build_api
from fleet.faces.api.routes_upkeep import add_upkeep
from fleet.faces.cli.configuration import settle
from fleet.faces.metrics.meters import Meters
from fleet.model.access import Role
from fleet.services.access import AskedToken
from fleet.services.together import Services, wire
from tests.services.small_venue import FILES, NOON, Ids, StagingDriver, boxes, hear_all, store_at

HOME_TOKEN = "the-token-of-the-home"
ORIGIN = "http://127.0.0.1"
OWN, OTHER = "foyer", "weir-hall"


@dataclass
class Venue:
    """A venue whose API is called; `now` is the time."""

    now: datetime = NOON
    services: Services = field(init=False)
    api: FastAPI = field(init=False)
    _secrets: dict[str, str] = field(default_factory=dict)

    def clock(self) -> datetime:
        return self.now

    def client(self, source: str = "192.0.2.7", base: str = ORIGIN, **headers: str) -> AsyncClient:
        """A browser or program that calls from there, with cookies of its own."""
        transport = ASGITransport(self.api, client=(source, 40_000), raise_app_exceptions=False)
        return AsyncClient(transport=transport, base_url=base, headers=headers, timeout=30)

    async def secret(self, role: Role, name: str = "") -> str:
        """The token of somebody of this role; an operator has the own room."""
        name = name or f"Somebody {role}"
        if name not in self._secrets:
            asked = AskedToken(name=name, role=role, rooms=[OWN] if role == "operator" else [])
            _, self._secrets[name] = await self.services.access.make(asked, "ines")
        return self._secrets[name]

    async def token_id(self, name: str) -> str:
        return next(t.id for t in await self.services.access.tokens() if t.name == name)

    async def bearer(self, role: Role, source: str = "192.0.2.7") -> AsyncClient:
        """A program with a token of this role."""
        return self.client(source, Authorization=f"Bearer {await self.secret(role)}")

    async def signed_in(self, role: Role, name: str = "", source: str = "192.0.2.7") -> Browser:
        """A browser that signed in with such a token."""
        client = self.client(source)
        answer = await client.post("/v1/session", json={"token": await self.secret(role, name)})
        assert answer.status_code == 200, answer.text
        return Browser(client, answer.json())


@dataclass
class Browser:
    """A browser with a session, that sends what our own page would send."""

    client: AsyncClient
    session: dict[str, Any]

    async def get(self, path: str) -> httpx.Response:
        return await self.client.get(path)

    async def post(self, path: str, body: Any = None) -> httpx.Response:
        headers = {"Fleet-CSRF": self.session["csrf"], "Origin": ORIGIN}
        return await self.client.post(path, json=body or {}, headers=headers)


@asynccontextmanager
async def a_venue(folder: Path) -> AsyncIterator[Venue]:
    """The venue for the length of the block."""
    venue = Venue()
    async with store_at(folder) as store:
        driver = StagingDriver(boxes())
        services = wire(store=store, driver=driver, clock=venue.clock, new_id=Ids())
        services.inventory.hear(LinkUp())
        await services.inventory.open()
        await services.desired.open()
        await services.desired.load(FILES, "ines")
        await hear_all(services, driver)
        venue.services = services
        venue.api = build_api(services, HOME_TOKEN, broker="mqtt://127.0.0.1:1883", root="loudspeakers/v1")
        settings = settle(folder, {})
        add_upkeep(venue.api, services, Meters(), home=folder, settings=settings, open_metrics=False)
        yield venue
        await services.close()
