"""Routes of walks."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from fleet.faces import walk_documents
from fleet.faces.api.bodies import Named, WhoBody
from fleet.faces.documents import Document
from fleet.model.settings import Finite
from fleet.model.walk import Answers, Move, Screen, Walk
from fleet.services.together import Services
from fleet.services.walk_beginning import LEVEL_DB, STEP_WITHIN_S, AskedWalk


class ScreenBody(WhoBody):
    """Who asks, and from which screen: a walk is led from one at a time."""

    screen: Annotated[Screen, Field(description="A mark that a screen made for itself; empty at a terminal.")] = ""


class WalkBody(ScreenBody):
    """A walk to begin, or with `go_on` the last one of the room to continue."""

    room: Named
    group: Named | None = None
    level_db: Annotated[Finite, Field(description="The highest level of the position under test.")] = LEVEL_DB
    step_within_s: Annotated[Finite, Field(description="Everything goes back unless somebody goes on within this.")] = (
        STEP_WITHIN_S
    )
    go_on: bool = False
    as_baseline: bool = False

    def asked(self) -> AskedWalk:
        """The same for the service."""
        return AskedWalk(
            room=self.room,
            group=self.group,
            level_db=self.level_db,
            step_within_s=self.step_within_s,
            go_on=self.go_on,
            as_baseline=self.as_baseline,
            screen=self.screen,
        )


class MoveBody(ScreenBody):
    """Where a walk is to go, and why a position is skipped."""

    move: Move
    seen_steps: Annotated[int | None, Field(ge=0, description="Refused where the walk has had another number.")] = None
    why: Annotated[str, Field(max_length=1000)] = ""


class AnswersBody(ScreenBody):
    """What was heard at the position under test."""

    position: Named
    answers: Answers


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    walking = services.walking

    async def document(walk: Walk) -> Document:
        return walk_documents.walk(
            walk,
            await walking.baseline_of(walk),
            lead=walking.lead(walk),
            goes_back_in_s=walking.goes_back_in_s(walk),
            all_back=await walking.all_back(walk),
            time_zone=services.desired.zone.key,
        )

    @router.post("/walks")
    async def begin(body: WalkBody) -> Document:
        return await document(await walking.begin(body.asked(), body.who))

    @router.get("/walks")
    async def walks() -> Document:
        return walk_documents.walks(await walking.walks(), walking.lead)

    @router.get("/walks/{walk}")
    async def walk(walk: str) -> Document:
        return await document(await walking.walk(walk))

    @router.post("/walks/{walk}/step")
    async def step(walk: str, body: MoveBody) -> Document:
        return await document(
            await walking.step(walk, body.move, body.who, body.why, screen=body.screen, seen=body.seen_steps)
        )

    @router.post("/walks/{walk}/answers")
    async def answer(walk: str, body: AnswersBody) -> Document:
        return await document(await walking.answer(walk, body.position, body.answers, body.who, screen=body.screen))

    @router.post("/walks/{walk}/end")
    async def end(walk: str, body: WhoBody) -> Document:
        return await document(await walking.end(walk, body.who))

    return router
