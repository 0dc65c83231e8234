"""A restart of devices: which are restarted in which wave, which are back, and what came after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from fleet.model.names import Id, Name

RestartState = Literal["restarting", "waiting", "recalling", "done", "failed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """Devices of rooms that are restarted in waves, a circuit's devices one after another.

    `words` says for each device that is not back, or was not restarted, why; `change` is the recall that followed.
    """

    id: Id
    rooms: tuple[Name, ...]
    scope: str
    waves: tuple[tuple[Id, ...], ...]
    who: str
    why: str
    began: datetime
    recall: bool
    state: RestartState = "restarting"
    restarted: tuple[Id, ...] = ()
    back: tuple[Id, ...] = ()
    words: Mapping[Id, str] = field(default_factory=dict)
    change: str = ""
    trouble: str = ""

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in ("done", "failed")
