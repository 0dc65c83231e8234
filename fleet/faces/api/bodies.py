"""What requests to the API carry, validated at the edge."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from fleet.reconcile.scope import Scope
from fleet.services.level_asked import LevelAsked
from fleet.services.planning import Asked
from fleet.services.rounds import AskedRound

Decibels = Annotated[float, Field(ge=-200, le=200, allow_inf_nan=False)]
Who = Annotated[str, Field(min_length=1, max_length=100, description="Who asks: a login name.")]
Named = Annotated[str, Field(max_length=200)]
"""The name or the id of anything."""
Names = Annotated[list[Named], Field(max_length=2000)]
Allow = Annotated[list[Named], Field(max_length=50, description="Guard rails that are lifted, by name.")]
Files = Annotated[dict[Annotated[str, Field(max_length=500)], str], Field(max_length=10_000)]
"""Texts by their path in the venue folder. How long they are the size of the body bounds."""


class Body(BaseModel):
    """A request body; unknown members are a mistake of the caller."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="after")
    def _can_be_kept(self) -> Self:
        """No text has U+0000: not every database can hold it."""
        if any(isinstance(value, str) and "\x00" in value for value in self.__dict__.values()):
            raise ValueError("a text has a character U+0000, which cannot be kept")
        return self


class LoadBody(Body):
    """A version of the venue's files to put in force."""

    files: Files
    who: Who
    allow: Annotated[list[Literal["older", "empty", "smaller"]], Field(max_length=50)] = []


class FilesBody(Body):
    """Files to look at without putting them in force; none means the version in force."""

    files: Files | None = None


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

    room: Named | None = None


class HoldBody(WhoBody):
    """A room to put on hold."""

    until: Annotated[str, Field(min_length=1, max_length=40, description="2h, 90m, 23:30 or an ISO 8601 time.")]
    why: Annotated[str, Field(max_length=1000)] = ""


class AskedBody(Body):
    """A change to plan: a kind over a scope, or the rollback of a change."""

    kind: Literal["apply", "store", "recall", "rollback", "level", "mute", "unmute"]
    room: Named = ""
    group: Named | None = None
    position: Named | None = None
    positions: Annotated[Names, Field(description="Several positions of the room.")] = []
    without: Names = []
    also: Names = []
    mode: Annotated[Named | None, Field(description="The mode of the room to recall, or to store.")] = None
    change: Named = ""
    as_of: Annotated[str, Field(max_length=100, description="For a recall: a date, a time or a snapshot.")] = ""
    by_db: Decibels | None = None
    to_db: Decibels | None = None
    until: Annotated[str, Field(max_length=40, description="For a level: 2h, 23:30 or an ISO 8601 time.")] = ""
    level_from_slot: bool = False
    also_agreed: Annotated[bool, Field(description="Put agreed deviations right as well.")] = False
    who: Annotated[
        str, Field(max_length=100, description="Who asks; levels and mutes of a room on hold depend on it.")
    ] = ""

    def asked(self) -> Asked:
        """The same for the service."""
        scope = Scope(
            rooms=(self.room,),
            group=self.group,
            position=self.position,
            without=frozenset(self.without),
            also=frozenset(self.also),
            positions=frozenset(self.positions),
        )
        level = LevelAsked(by_db=self.by_db, to_db=self.to_db, until=self.until, who=self.who)
        return Asked(
            kind=self.kind,
            scope=scope if self.room else None,
            change=self.change,
            modes={self.room: self.mode} if self.mode is not None else {},
            level=level if self.kind == "level" else None,
            as_of=self.as_of,
            levels_from_slot=self.level_from_slot,
            also_agreed=self.also_agreed,
            who=self.who,
        )


class RestartBody(WhoBody):
    """Devices to restart."""

    room: Named
    group: Named | None = None
    position: Named | None = None
    without: Names = []
    also: Names = []
    recall: bool = True
    allow: Allow = []
    why: Annotated[str, Field(max_length=1000)] = ""

    def scope(self) -> Scope:
        """The same for the service."""
        return Scope(
            rooms=(self.room,),
            group=self.group,
            position=self.position,
            without=frozenset(self.without),
            also=frozenset(self.also),
        )


class StartBody(AskedBody):
    """A change to carry out: the plan with this digest, and no other."""

    digest: Annotated[str, Field(min_length=64, max_length=64)]
    who: Who
    why: Annotated[str, Field(max_length=1000)] = ""
    allow: Allow = []
    keep_within_s: Annotated[float | None, Field(gt=0, description="Return by itself unless kept within this.")] = None


class RoundKindBody(Body):
    """A round to plan, over every room."""

    kind: Literal["apply", "recall"]


class RoundBody(RoundKindBody):
    """A round to carry out: each of these rooms, by the plan with this digest, or none where it had no plan."""

    digests: Annotated[
        dict[Named, Annotated[str, Field(max_length=64, pattern="^([0-9a-f]{64})?$")]], Field(max_length=2000)
    ]
    stop_after: Annotated[int, Field(ge=-1_000_000, le=1_000_000)] = 1
    who: Who
    why: Annotated[str, Field(max_length=1000)] = ""
    allow: Allow = []

    def asked(self) -> AskedRound:
        """The same for the service."""
        return AskedRound(kind=self.kind, digests=self.digests, stop_after=self.stop_after, allow=frozenset(self.allow))
