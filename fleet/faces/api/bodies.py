"""What requests to the API carry, validated at the edge."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from fleet.reconcile.scope import Scope
from fleet.services.changes import Asked
from fleet.services.rounds import AskedRound

Who = Annotated[str, Field(min_length=1, max_length=100, description="Who asks: a login name.")]


class Body(BaseModel):
    """A request body; unknown members are a mistake of the caller."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class LoadBody(Body):
    """A version of the venue's files to put in force."""

    files: dict[str, str]
    who: Who
    allow: list[Literal["older", "empty", "smaller"]] = []


class FilesBody(Body):
    """Files to look at without putting them in force; none means the version in force."""

    files: dict[str, str] | None = None


class WhoBody(Body):
    """Who asks."""

    who: Who


class IdentifyBody(Body):
    """For how long a device is to blink."""

    seconds: Annotated[int, Field(ge=1, le=60)] = 10


class TakeBody(WhoBody):
    """A snapshot to take."""

    note: Annotated[str, Field(max_length=1000)] = ""


class HandOverBody(TakeBody):
    """A hand-over to gather, of a room or of the whole venue."""

    room: str | None = None


class HoldBody(WhoBody):
    """A room to put on hold."""

    until: Annotated[str, Field(min_length=1, max_length=40, description="2h, 90m, 23:30 or an ISO 8601 time.")]
    why: Annotated[str, Field(max_length=1000)] = ""


class AskedBody(Body):
    """A change to plan: a kind over a scope, or the rollback of a change."""

    kind: Literal["apply", "store", "recall", "rollback"]
    room: str = ""
    group: str | None = None
    position: str | None = None
    without: list[str] = []
    also: list[str] = []
    change: str = ""

    def asked(self) -> Asked:
        """The same for the service."""
        scope = Scope(
            rooms=(self.room,),
            group=self.group,
            position=self.position,
            without=frozenset(self.without),
            also=frozenset(self.also),
        )
        return Asked(kind=self.kind, scope=scope if self.room else None, change=self.change)


class StartBody(AskedBody):
    """A change to carry out: the plan with this digest, and no other."""

    digest: Annotated[str, Field(min_length=64, max_length=64)]
    who: Who
    why: Annotated[str, Field(max_length=1000)] = ""
    allow: list[str] = []
    keep_within_s: Annotated[float | None, Field(gt=0, description="Return by itself unless kept within this.")] = None


class RoundKindBody(Body):
    """A round to plan, over every room."""

    kind: Literal["apply", "recall"]


class RoundBody(RoundKindBody):
    """A round to carry out: each of these rooms, by the plan with this digest, or none where it had no plan."""

    digests: dict[str, Annotated[str, Field(pattern="^([0-9a-f]{64})?$")]]
    stop_after: int = 1
    who: Who
    why: Annotated[str, Field(max_length=1000)] = ""
    allow: list[str] = []

    def asked(self) -> AskedRound:
        """The same for the service."""
        return AskedRound(kind=self.kind, digests=self.digests, stop_after=self.stop_after, allow=frozenset(self.allow))
