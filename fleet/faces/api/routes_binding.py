"""Routes of bindings and swaps."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from fleet.faces import binding_documents
from fleet.faces.api.bodies import Allow, Body, Named, Names, WhoBody
from fleet.faces.documents import Document
from fleet.model.names import OutputNumber
from fleet.services.binding import AskedBinding
from fleet.services.swap_asked import AskedSwap
from fleet.services.together import Services

LONGEST_WAIT_S = 30.0


class UnbindBody(WhoBody):
    """A position that is to have no device."""

    position: Named
    room: Named | None = None


class BindBody(UnbindBody):
    """A position and the output of a device that is to serve it."""

    device: Named
    output: OutputNumber = 1
    allow: Allow = Field(default_factory=list)

    def asked(self) -> AskedBinding:
        """The same for the service."""
        return AskedBinding(
            position=self.position,
            device=self.device,
            output=self.output,
            room=self.room,
            allow=frozenset(self.allow),
        )


class SwapPlanBody(Body):
    """A position whose device is to be swapped for another, or (`undo`) for the one before."""

    position: Named
    device: Named = ""
    room: Named | None = None
    until: date | None = None
    undo: bool = False
    allow: Allow = Field(default_factory=list)
    also: Names = Field(default_factory=list)

    def asked(self) -> AskedSwap:
        """The same for the service."""
        return AskedSwap(
            position=self.position,
            device=self.device,
            room=self.room,
            until=self.until,
            undo=self.undo,
            allow=frozenset(self.allow),
            also=frozenset(self.also),
        )


class SwapBody(SwapPlanBody):
    """A swap to carry out: the one with this digest, and no other."""

    digest: Annotated[str, Field(min_length=64, max_length=64)]
    who: Annotated[str, Field(min_length=1, max_length=100)]
    why: Annotated[str, Field(max_length=1000)] = ""


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.post("/bindings")
    async def bind(body: BindBody) -> Document:
        return binding_documents.bound(await services.binding.bind(body.asked(), body.who))

    @router.post("/bindings/remove")
    async def unbind(body: UnbindBody) -> Document:
        services.binding.unbind(body.position, body.room)

    @router.post("/swaps/plan")
    async def plan(body: SwapPlanBody) -> Document:
        return binding_documents.prospect(await services.swapping.plan(body.asked()))

    @router.post("/swaps")
    async def begin(body: SwapBody) -> Document:
        asked = body.asked()
        return binding_documents.swap(
            await services.swapping.begin(asked, digest=body.digest, who=body.who, why=body.why)
        )

    @router.get("/swaps")
    async def swaps() -> Document:
        return binding_documents.swaps(await services.swapping.swaps())

    @router.get("/swaps/{swap}")
    async def swap(swap: str, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0.0) -> Document:
        return binding_documents.swap(await services.swapping.wait(swap, wait_s))

    return router
