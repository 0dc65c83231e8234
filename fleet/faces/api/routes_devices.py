"""Routes of devices."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response
from pydantic import Field

from fleet.faces import device_documents
from fleet.faces.api.bodies import Body, IdentifyBody, WhoBody
from fleet.faces.api.paging import USUAL, After, Limit, Paging
from fleet.faces.documents import Document
from fleet.model.inventory import DeviceStatus, SortKey
from fleet.services.survey import SurveyAsked, survey
from fleet.services.together import Services

RECENT_CHANGES: Final = 200
"""How many changes are looked through for those that touched a device."""
MOST_CHANGES: Final = 20


class DevicesQuery(Body):
    """Which devices are wanted; every condition must hold, and of several statuses one."""

    room: str | None = None
    model: str | None = None
    firmware: str | None = None
    status: Annotated[list[DeviceStatus], Field(default_factory=list)]
    not_bound: bool = False
    edited: bool = False
    unhealthy: bool = False
    circuit: str | None = None
    switch_port: str | None = None
    sort: SortKey = "id"
    limit: Limit = USUAL
    after: After = None

    def asked(self) -> SurveyAsked:
        """The same for the service."""
        return SurveyAsked(**self.model_dump(exclude={"status", "limit", "after"}), statuses=tuple(self.status))


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    inventory = services.inventory

    async def in_full(device: str) -> Document:
        inventory.known(device)
        one = next(one for one in survey(inventory, services.desired, SurveyAsked()) if one.id == device)
        recent = await services.store.changes(limit=RECENT_CHANGES)
        touched_by = [record for record in recent if any(d.device == device for d in record.plan.devices)]
        sightings = await services.store.sightings(device)
        return device_documents.device(one, inventory.reported(device), sightings, touched_by[:MOST_CHANGES])

    @router.get("/devices")
    async def devices(query: Annotated[DevicesQuery, Query()], request: Request, response: Response) -> Document:
        found = survey(inventory, services.desired, query.asked())
        whole = device_documents.devices(found, inventory.link_trouble, inventory.passed_over)
        paging = Paging(request, response, query.limit, query.after)
        return paging.from_all(whole["devices"], lambda row: row["id"], lambda ours: {**whole, "devices": list(ours)})

    @router.get("/devices/{device}")
    async def device(device: str) -> Document:
        inventory.known(device)
        await inventory.flush()
        return await in_full(device)

    @router.post("/devices/{device}/accept")
    async def accept(device: str, _body: WhoBody) -> Document:
        await inventory.accept(device)
        return await in_full(device)

    @router.post("/devices/{device}/identify")
    async def identify(device: str, body: IdentifyBody) -> Document:
        await services.identifying.identify(device, body.seconds)
        return {"format": "fleet-identify/1", "device": device, "seconds": body.seconds}

    return router
