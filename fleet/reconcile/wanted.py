"""What a device should be, and each of its outputs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from fleet.model.description import Description
from fleet.model.names import Id, OutputNumber, SlotNumber
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.venue import Between, Position
from fleet.reconcile.fitted import TargetFit

Represent: TypeAlias = Callable[[Description, DeviceSettings], DeviceSettings]
"""A driver's way to bring settings to what a device can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedOutput:
    """A position and what its output should be: fixed settings, delay computed, and allowed ranges.

    `fit` tells how well a target curve is made; its bands are in the `settings`.
    """

    position: Position
    settings: OutputSettings = field(default_factory=OutputSettings)
    between: Mapping[str, Between] = field(default_factory=dict)
    fit: TargetFit | None = None
    kept: WantedOutput | None = None
    """What its slot should hold of it, where that is not this: in a mode without a slot of its own, the room without
    modes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedDevice:
    """What a device should be. `slot` is its house-curve slot and `stored` what that slot should hold, if any;
    `kept_slot` another slot that it may stay in, so that nothing is recalled.

    `problems` says what about this wish the device cannot keep, in words. A device with a life-safety position has
    its positions in `outputs`, and nothing wanted.
    """

    device: Id
    description: Description
    outputs: Mapping[OutputNumber, WantedOutput]
    input: str | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    slot: SlotNumber | None = None
    stored: SlotContents | None = None
    kept_slot: SlotNumber | None = None
    plain_slot: SlotNumber | None = None
    """The house-curve slot of its room without modes, where a mode has one of its own: it powers up in this."""
    problems: tuple[str, ...] = ()

    @property
    def beyond_slot(self) -> bool:
        """Whether the slot is meant to hold something else than what is wanted live: the room without modes."""
        return any(output.kept is not None for output in self.outputs.values())
