"""What a device reports of itself: live settings, slots, mute causes, health, an open change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from fleet.model.description import Description
from fleet.model.names import Id, OutputNumber, SlotNumber
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents

MuteCause = Literal["controller", "panel", "external", "alarm"]
OURS_OR_PANEL: frozenset[MuteCause] = frozenset({"controller", "panel"})
Counter = Annotated[int, Field(ge=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenChange:
    """A change a device has open: staged or committed, not yet kept. `reverts_in_ms` is `None` without a timer."""

    id: Id
    phase: Counter
    reverts_in_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Which state of a device something refers to: `revision` rises by one with each change within a boot."""

    boot_id: Id
    revision: Counter


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Everything a device reports at a moment except the contents of its slots."""

    id: Id
    serial: str
    moment: Moment
    boot_count: Counter
    uptime_ms: float
    epoch: Counter = 0
    active_slot: SlotNumber | None = None
    live: DeviceSettings
    mute_causes: Mapping[OutputNumber, tuple[MuteCause, ...]] = field(default_factory=dict)
    temperature_c: float | None = None
    faults: tuple[str, ...] = ()
    slots_sha256: str = ""
    change: OpenChange | None = None
    cause: str = ""

    @property
    def boot_id(self) -> str:
        """The boot this state is of."""
        return self.moment.boot_id

    @property
    def revision(self) -> int:
        """The revision within the boot."""
        return self.moment.revision

    def output(self, number: int) -> OutputSettings:
        """Live settings of one output; empty where the device has no such output."""
        return self.live.outputs.get(number, OutputSettings())

    def muted_by_others(self, number: int) -> tuple[MuteCause, ...]:
        """Mute causes of an output that this tool never clears: an external contact or an alarm."""
        return tuple(c for c in self.mute_causes.get(number, ()) if c not in OURS_OR_PANEL)


Slots = Mapping[SlotNumber, SlotContents]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """A device as it reports itself, whole: the basis of every comparison."""

    description: Description
    state: State
    slots: Slots
