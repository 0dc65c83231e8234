"""The API: every route behind the token, errors as problem details."""

from __future__ import annotations

import secrets
from typing import Annotated

from fastapi import Depends, FastAPI, Header, HTTPException

from fleet import __version__
from fleet.faces.api import (
    problems,
    routes_binding,
    routes_capture,
    routes_changes,
    routes_devices,
    routes_handover,
    routes_rounds,
    routes_venue,
    routes_walk,
)
from fleet.services.together import Services


def build_api(services: Services, token: str, *, broker: str, root: str) -> FastAPI:
    """The API over these services, for callers with this bearer token. `broker` and `root` are for the status."""

    async def signed_in(authorization: Annotated[str, Header()] = "") -> None:
        if not secrets.compare_digest(authorization.encode(), f"Bearer {token}".encode()):
            raise HTTPException(
                401, "the token is missing or wrong; it is in the daemon's folder", {"WWW-Authenticate": "Bearer"}
            )

    app = FastAPI(
        title="fleet",
        version=__version__,
        dependencies=[Depends(signed_in)],
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    for router in (
        routes_venue.router_over(services, broker=broker, root=root),
        routes_devices.router_over(services),
        routes_changes.router_over(services),
        routes_rounds.router_over(services),
        routes_capture.router_over(services),
        routes_handover.router_over(services),
        routes_binding.router_over(services),
        routes_walk.router_over(services),
    ):
        app.include_router(router, prefix="/v1")
    problems.install(app)
    return app
