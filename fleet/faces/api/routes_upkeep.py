"""Routes for whoever keeps the daemon running: its log, its settings, its metrics."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, FastAPI, Query, Request, Response

from fleet.faces.api.paging import Since
from fleet.faces.api.rules import enforce
from fleet.faces.cli.configuration import InForce, config_document
from fleet.faces.documents import Document
from fleet.faces.logs.reading import Wanted, read_log
from fleet.faces.metrics.meters import Meters
from fleet.faces.metrics.scrape import CONTENT_TYPE, scrape
from fleet.model.days import HOUSE_MODE
from fleet.services.together import Services

Level = Literal["debug", "info", "warning", "error", "critical"]


def add_upkeep(
    app: FastAPI, services: Services, meters: Meters, *, home: Path, settings: tuple[InForce, ...], open_metrics: bool
) -> None:
    """Add them to the API. `open_metrics` serves the metrics without the token."""

    async def metrics() -> Response:
        return Response(await scrape(services, meters), media_type=CONTENT_TYPE)

    async def metrics_for_all(_request: Request) -> Response:
        return await metrics()

    app.include_router(_router(services, home, settings), prefix="/v1")
    if open_metrics:
        app.state.for_everybody |= {"/metrics"}
        app.add_route("/metrics", metrics_for_all)  # a plain route, to which the API's dependencies do not apply
    else:
        app.add_api_route("/metrics", metrics, response_class=Response)
    enforce(app)


def _router(services: Services, home: Path, settings: tuple[InForce, ...]) -> APIRouter:
    router = APIRouter()

    @router.get("/config")
    async def config() -> Document:
        return config_document(settings)

    @router.get("/names")
    async def names() -> Document:
        """What there is to type, without looking at any of it: quick enough for a shell that completes."""
        version = services.desired.version
        rooms = version.venue.rooms if version else {}
        return {
            "format": "fleet-names/1",
            "rooms": {
                name: {
                    "name": room.title,
                    "groups": sorted(room.groups),
                    "positions": sorted(room.positions),
                    "modes": [*sorted(room.modes), HOUSE_MODE] if room.modes else [],
                }
                for name, room in sorted(rooms.items())
            },
            "devices": sorted({*services.desired.bound(), *(r.id for r in services.inventory.records())}),
        }

    @router.get("/log")
    async def log(
        level: Level = "debug",
        since: Since | None = None,
        change: str | None = None,
        after: Annotated[int | None, Query(ge=0)] = None,
        most: Annotated[int, Query(ge=1, le=10_000)] = 200,
    ) -> Document:
        wanted = Wanted(level=level, since=since, change=change, after=after, most=most)
        lines, last = await asyncio.to_thread(read_log, home, wanted)
        return {"format": "fleet-log/1", "lines": lines, "last": last}

    return router
