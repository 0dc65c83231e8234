"""Routes of devices and of snapshots of them."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query
from pydantic import Field

from fleet.faces import device_documents, diff_documents, snapshot_documents
from fleet.faces.api.bodies import Body, IdentifyBody, TakeBody, WhoBody
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

    def asked(self) -> SurveyAsked:
        """The same for the service."""
        return SurveyAsked(**self.model_dump(exclude={"status"}), statuses=tuple(self.status))


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
    async def devices(query: Annotated[DevicesQuery, Query()]) -> Document:
        return device_documents.devices(survey(inventory, services.desired, query.asked()), inventory.link_trouble)

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
        await services.identify(device, body.seconds)
        return {"format": "fleet-identify/1", "device": device, "seconds": body.seconds}

    @router.post("/snapshots")
    async def take(body: TakeBody) -> Document:
        return snapshot_documents.snapshot(await services.snapshots.take(body.who, body.note))

    @router.get("/snapshots")
    async def snapshots() -> Document:
        return snapshot_documents.snapshots(await services.snapshots.entries())

    @router.get("/snapshots/{snapshot}")
    async def snapshot(snapshot: str) -> Document:
        return snapshot_documents.snapshot(await services.snapshots.get(snapshot))

    @router.get("/snapshots/{first}/against/{second}")
    async def compare(first: str, second: str) -> Document:
        comparison = await services.snapshots.compare(first, second)
        return {
            **diff_documents.diff(comparison, ()),
            "format": "fleet-snapshot-diff/1",
            "first": first,
            "second": second,
        }

    return router
