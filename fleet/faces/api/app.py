"""The API: every route behind its rule of access, errors as problem details."""

from __future__ import annotations

import secrets
from collections.abc import Collection
from datetime import UTC, datetime

from fastapi import Depends, FastAPI

from fleet import __version__
from fleet.faces.api import (
    problems,
    routes_access,
    routes_audit,
    routes_binding,
    routes_capture,
    routes_changes,
    routes_deviations,
    routes_devices,
    routes_drift,
    routes_guests,
    routes_handover,
    routes_notices,
    routes_openapi,
    routes_positions,
    routes_power,
    routes_proof,
    routes_rounds,
    routes_snapshots,
    routes_venue,
    routes_walk,
)
from fleet.faces.api.auditing import Auditing
from fleet.faces.api.bounded import Bounded
from fleet.faces.api.calling import under_its_rule
from fleet.faces.api.etags import ETags
from fleet.faces.api.events import Events
from fleet.faces.api.guarding import Guarding
from fleet.faces.api.happenings import Happenings
from fleet.faces.api.methods import Methods
from fleet.faces.api.page import add_page
from fleet.faces.api.refusals import Refusals
from fleet.faces.api.rules import enforce
from fleet.faces.api.settling import Settling
from fleet.services.together import Services


def build_api(services: Services, token: str, *, broker: str, root: str, hosts: Collection[str] = ()) -> FastAPI:
    """The API over these services. `token` is that of this machine's commands, `hosts` names that we go by.

    `broker` and `root` are for the status. Raises `RuntimeError` for a route without a rule of access.
    """
    app = FastAPI(
        title="fleet",
        version=__version__,
        dependencies=[Depends(under_its_rule)],
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    app.state.for_everybody = frozenset[str]()
    app.add_middleware(ETags)
    app.add_middleware(Bounded)
    app.add_middleware(
        Settling,
        home_token=token,
        access=services.access,
        sessions=services.access_sessions,
        changes=services.changes,
        refusals=Refusals(services.audit, services.clock),
    )
    app.add_middleware(Auditing, audit=services.audit)
    app.add_middleware(Methods)
    app.add_middleware(Guarding, hosts=hosts)
    events = Events(secrets.token_hex(4))
    app.state.events = events
    for router in (
        routes_openapi.router(),
        routes_venue.router_over(services, broker=broker, root=root),
        routes_positions.router_over(services),
        routes_devices.router_over(services),
        routes_snapshots.router_over(services),
        routes_proof.router_over(services),
        routes_audit.router_over(services),
        routes_access.router_over(services, services.clock),
        routes_changes.router_over(services),
        routes_deviations.router_over(services),
        routes_guests.router_over(services),
        routes_drift.router_over(services),
        routes_rounds.router_over(services),
        routes_capture.router_over(services),
        routes_handover.router_over(services),
        routes_power.router_over(services),
        routes_binding.router_over(services),
        routes_walk.router_over(services),
        routes_notices.router_over(services, events, Happenings(services, events, lambda: datetime.now(UTC))),
    ):
        app.include_router(router, prefix="/v1")
    add_page(app)
    problems.install(app)
    enforce(app)
    return app
