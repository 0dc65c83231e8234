"""Routes of devices and of snapshots of them."""

from __future__ import annotations

from fastapi import APIRouter

from fleet.faces import documents
from fleet.faces.api.bodies import IdentifyBody, TakeBody, WhoBody
from fleet.faces.documents import Document
from fleet.services.together import Services


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    inventory = services.inventory

    def all_devices() -> Document:
        positions: dict[str, list[str]] = {}
        life_safety: set[str] = set()
        for p in services.desired.version.venue.positions() if services.desired.version else ():
            positions.setdefault(p.device, []).append(f"{p.room}/{p.name}")
            if p.life_safety:
                life_safety.add(p.device)
        return documents.devices(
            inventory.records(),
            inventory.statuses(positions),
            positions,
            life_safety,
            inventory.conflicts(),
            inventory.announced,
            inventory.link_trouble,
        )

    @router.get("/devices")
    async def devices() -> Document:
        return all_devices()

    @router.get("/devices/{device}")
    async def device(device: str) -> Document:
        inventory.known(device)
        await inventory.flush()
        row = next(row for row in all_devices()["devices"] if row["id"] == device)
        return documents.device(row, inventory.reported(device), await services.store.sightings(device))

    @router.post("/devices/{device}/accept")
    async def accept(device: str, _body: WhoBody) -> Document:
        await inventory.accept(device)
        row = next(row for row in all_devices()["devices"] if row["id"] == device)
        return documents.device(row, inventory.reported(device), ())

    @router.post("/devices/{device}/identify")
    async def identify(device: str, body: IdentifyBody) -> Document:
        await services.identify(device, body.seconds)
        return {"format": "fleet-identify/1", "device": device, "seconds": body.seconds}

    @router.post("/snapshots")
    async def take(body: TakeBody) -> Document:
        return documents.snapshot(await services.snapshots.take(body.who, body.note))

    @router.get("/snapshots")
    async def snapshots() -> Document:
        return documents.snapshots(await services.snapshots.entries())

    @router.get("/snapshots/{snapshot}")
    async def snapshot(snapshot: str) -> Document:
        return documents.snapshot(await services.snapshots.get(snapshot))

    @router.get("/snapshots/{first}/against/{second}")
    async def compare(first: str, second: str) -> Document:
        comparison = await services.snapshots.compare(first, second)
        return {**documents.diff(comparison, ()), "format": "fleet-snapshot-diff/1", "first": first, "second": second}

    return router
