"""Routes of walks."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from fleet.faces import walk_documents
from fleet.faces.api.bodies import WhoBody
from fleet.faces.documents import Document
from fleet.model.settings import Finite
from fleet.model.walk import Answers, Move, Walk
from fleet.services.together import Services
from fleet.services.walk_beginning import LEVEL_DB, STEP_WITHIN_S, AskedWalk


class WalkBody(WhoBody):
    """A walk to begin, or with `go_on` the last one of the room to continue."""

    room: str
    group: str | None = None
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
        )


class MoveBody(WhoBody):
    """Where a walk is to go, and why a position is skipped."""

    move: Move
    why: Annotated[str, Field(max_length=1000)] = ""


class AnswersBody(WhoBody):
    """What was heard at the position under test."""

    position: str
    answers: Answers


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    walking = services.walking

    async def document(walk: Walk) -> Document:
        return walk_documents.walk(walk, await walking.baseline_of(walk))

    @router.post("/walks")
    async def begin(body: WalkBody) -> Document:
        return await document(await walking.begin(body.asked(), body.who))

    @router.get("/walks")
    async def walks() -> Document:
        return walk_documents.walks(await walking.walks())

    @router.get("/walks/{walk}")
    async def walk(walk: str) -> Document:
        return await document(await walking.walk(walk))

    @router.post("/walks/{walk}/step")
    async def step(walk: str, body: MoveBody) -> Document:
        return await document(await walking.step(walk, body.move, body.who, body.why))

    @router.post("/walks/{walk}/answers")
    async def answer(walk: str, body: AnswersBody) -> Document:
        return await document(await walking.answer(walk, body.position, body.answers, body.who))

    @router.post("/walks/{walk}/end")
    async def end(walk: str, body: WhoBody) -> Document:
        return await document(await walking.end(walk, body.who))

    return router
