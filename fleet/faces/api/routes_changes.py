"""Routes of plans and changes."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query

from fleet.faces import change_documents
from fleet.faces.api.bodies import AskedBody, StartBody, WhoBody
from fleet.faces.api.calling import Called, Caller
from fleet.faces.api.paging import Paged
from fleet.faces.api.rules import rooms_of, rooms_of_plan
from fleet.faces.documents import Document
from fleet.model.change import ChangeRecord
from fleet.model.plan import Plan
from fleet.services.change_refusals import moved_since_shown
from fleet.services.storing_again import store_again
from fleet.services.together import Services

LONGEST_WAIT_S = 30.0


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    changes = services.changes

    @router.post("/plans")
    async def plan(body: AskedBody, caller: Called) -> Document:
        return change_documents.plan(_theirs(caller, await changes.plan(body.asked())))

    @router.post("/changes")
    async def start(body: StartBody, caller: Called) -> Document:
        asked = body.asked()
        if caller.role == "operator" and _theirs(caller, await changes.plan(asked)).digest != body.digest:
            raise moved_since_shown()
        record = await changes.start(
            asked,
            digest=body.digest,
            who=body.who,
            why=body.why,
            allow=body.allow,
            keep_within_s=body.keep_within_s,
        )
        return change_documents.change(record)

    @router.get("/changes")
    async def all_changes(
        caller: Called, paging: Paged, room: Annotated[str, Query(description="Only those about this room.")] = ""
    ) -> Document:
        def wanted(record: ChangeRecord) -> bool:
            return caller.sees(*rooms_of(record)) and (not room or room in rooms_of(record))

        found = await changes.records(paging.looked_at, before=paging.place, wanted=wanted)
        damaged = await changes.damaged() if caller.role != "operator" else ()
        return paging.page(found, lambda record: record.id, lambda ours: change_documents.changes(ours, damaged))

    @router.get("/changes/{change}")
    async def one_change(
        change: str, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0, or_trial: bool = False
    ) -> Document:
        record = await changes.wait(change, wait_s, or_trial=or_trial)
        left_s = (record.trial_until - services.clock()).total_seconds() if record.trial_until is not None else None
        return {**change_documents.change(record, await changes.story(change)), "trial_left_s": left_s}

    @router.post("/changes/{change}/cancel")
    async def cancel(change: str, body: WhoBody) -> Document:
        await changes.cancel(change, body.who)
        return change_documents.change(await changes.record(change))

    @router.post("/changes/{change}/keep")
    async def keep(change: str) -> Document:
        await changes.keep(change)
        return change_documents.change(await changes.record(change))

    @router.get("/changes/{change}/store-again")
    async def wanting_a_store(change: str) -> Document:
        record = await changes.record(change)
        return change_documents.store_again(record, await store_again(services.lookout, services.desired, record))

    return router


def _theirs(caller: Caller, plan: Plan) -> Plan:
    """The plan, where every room that it reaches into is the caller's: a mode may bring others along. Refuses (403)."""
    if not caller.sees(*rooms_of_plan(plan)):
        others = ", ".join(sorted(rooms_of_plan(plan) - caller.rooms))
        raise HTTPException(403, f"this reaches into {others}, which is not among the rooms that were given to you")
    return plan
