"""An episode: one place that is not as wanted by itself, from the moment that it began until it is over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fleet.model.difference import Grade

EpisodeKind = Literal["drift", "muted", "missing", "unreachable", "link"]
EpisodeState = Literal["open", "flapping", "over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Something that began by itself at one place.

    `drift`: a position differs; `muted`: an alarm or an external contact mutes one that should sound, which is no
    drift; `missing`: a device of positions is gone; `unreachable`: one is there by its presence and does not answer;
    `link`: nothing is known of any device. `since` is when that was first seen, `moved` when it last came or went, and
    `turns` when it ended before, as far as that is recent. A flapping episode may be `present` or not at any moment.
    `positions` are full names, `room/position`.
    """

    kind: EpisodeKind
    since: datetime
    moved: datetime
    rooms: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()
    device: str = ""
    settings: tuple[str, ...] = ()
    """What differs, by itself, each with its subject: `live level_db`."""
    grade: Grade | None = None
    words: str = ""
    cause: str = ""
    """The probable cause in words; empty where there is no telling."""
    state: EpisodeState = "open"
    present: bool = True
    worst: Grade | None = None
    """The worst grade that was told of."""
    turns: tuple[datetime, ...] = ()
    announced: bool = False
    """A notice of it was given."""
    last_seen: datetime | None = None
    """When an unreachable device was last seen."""

    @property
    def key(self) -> str:
        """Its kind and place: there is never more than one episode of a key."""
        place = {"missing": self.device, "unreachable": self.device, "link": ""}.get(
            self.kind, self.positions[0] if self.positions else ""
        )
        return f"{self.kind} {place}".strip()

    @property
    def stands(self) -> bool:
        """True where it is not over: what differs or is gone by itself, or keeps coming and going."""
        return self.state != "over"


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountedFor:
    """The differences of a room that stand and are no drift: all its positions that were looked at, each with its own.

    A difference is given by subject, setting and the value found; `wanted` names what the room was to be then, and
    `change` the last change whose devices were all looked at after its end.
    """

    room: str
    wanted: str
    marks: Mapping[str, tuple[tuple[str, str, str], ...]]
    change: str = ""
