"""Routes of capture, and of the files in force."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Response
from pydantic import Field

from fleet.errors import Refused
from fleet.faces import capture_documents
from fleet.faces.api.bodies import Files, Named, WhoBody
from fleet.faces.api.etags import etag_of
from fleet.faces.documents import Document
from fleet.services.capturing import AskedCapture
from fleet.services.together import Services


class CaptureBody(WhoBody):
    """What to capture, and into which room. `called` names positions by device, in place of the device's id."""

    room: Named
    devices: Annotated[list[Named], Field(max_length=5000)] = Field(default_factory=list)
    all_unbound: bool = False
    into: Annotated[str, Field(max_length=500)] | None = None
    called: Annotated[dict[Named, Named], Field(max_length=5000)] = Field(default_factory=dict)

    def asked(self) -> AskedCapture:
        """The same for the service."""
        return AskedCapture(
            room=self.room,
            devices=tuple(self.devices),
            all_unbound=self.all_unbound,
            into=self.into,
            called=self.called,
        )


class WriteBody(CaptureBody):
    """A capture to write. `beside` are texts of a folder of the caller's, who writes the files there himself."""

    note: Annotated[str, Field(max_length=1000)] = ""
    beside: Files | None = None


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.post("/capture/plan")
    async def plan(body: CaptureBody) -> Document:
        return capture_documents.captured(await services.capturing.plan(body.asked(), body.who))

    @router.post("/capture")
    async def capture(body: WriteBody) -> Document:
        done = await services.capturing.capture(body.asked(), body.who, body.note, body.beside)
        return capture_documents.captured(done)

    @router.get("/files")
    async def files(response: Response) -> Document:
        version = await services.store.latest_version()
        if version is None:
            raise Refused("no desired state is loaded", remedy="Load a venue folder with `fleet load FOLDER`.")
        response.headers["ETag"] = etag_of(version)
        return capture_documents.files(version)

    return router
