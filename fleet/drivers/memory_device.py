"""A device in memory that does what is asked at once and for good: no staging, no timers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from fleet.errors import DeviceRefused
from fleet.model.description import Description
from fleet.model.plan import Work
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Moment, MuteCause, Slots, State
from fleet.reconcile.representable import representable


@dataclass(slots=True)
class MemoryDevice:
    """One device: what it is, its live settings, its slots.

    `online` is false while it is not there, `hangs` true while it is, and neither answers nor tells anything.
    """

    description: Description
    live: DeviceSettings
    slots: dict[int, SlotContents] = field(default_factory=dict)
    active_slot: int | None = None
    mute_causes: dict[int, tuple[MuteCause, ...]] = field(default_factory=dict)
    epoch: int = 0
    boot_count: int = 1
    revision: int = 1
    online: bool = True
    hangs: bool = False
    identified_s: int = 0

    def state(self) -> State:
        """What it reports."""
        causes = self.mute_causes
        muted = {n: replace(s, mute=bool(causes.get(n))) for n, s in self.live.outputs.items()}
        return State(
            id=self.description.id,
            serial=self.description.serial,
            moment=self.moment(),
            boot_count=self.boot_count,
            uptime_ms=0.0,
            epoch=self.epoch,
            active_slot=self.active_slot,
            live=replace(self.live, outputs=muted),
            mute_causes=dict(causes),
        )

    def moment(self) -> Moment:
        """Which state it is in."""
        return Moment(boot_id=f"b-{self.boot_count}", revision=self.revision)

    def readable(self) -> Slots:
        """Its slots, with the contents of the active one only."""
        return {n: s if n == self.active_slot else replace(s, outputs=None) for n, s in self.slots.items()}

    def do(self, work: Work) -> None:
        """Recall, then settings, then slot contents. Raises `DeviceRefused`, having done nothing."""
        self._check(work)
        if work.recall is not None:
            self._put(DeviceSettings(input=self.slots[work.recall].input, outputs=self._contents(work.recall)))
            self.active_slot = work.recall
        if work.settings is not None:
            self._put(representable(self.description, work.settings))
        for contents in work.slot_contents:
            below = DeviceSettings(outputs=self._contents(contents.slot))
            given = DeviceSettings(input=contents.input, outputs=contents.outputs or {})
            stored = representable(self.description, given).over(below)
            self.slots[contents.slot] = replace(contents, outputs=stored.outputs)
        self.revision += 1

    def restart(self) -> None:
        """Come back as after a power cut, with the last state or in the default slot."""
        power_up = self.description.power_up
        slot = self.live.power_up_slot or power_up.slot
        if power_up.behaviour == "default_slot" and slot is not None:
            self._put(DeviceSettings(input=self.slots[slot].input, outputs=self._contents(slot)))
            self.active_slot = slot
        self.boot_count += 1
        self.revision = 1

    def _check(self, work: Work) -> None:
        name, ability = self.description.id, self.description.slots
        for slot in (*([work.recall] if work.recall else []), *(c.slot for c in work.slot_contents)):
            if not 1 <= slot <= ability.count:
                raise DeviceRefused(name, "out_of_range", f"there is no slot {slot}")
        for contents in work.slot_contents:
            if contents.slot in ability.factory:
                raise DeviceRefused(name, "locked_slot", f"slot {contents.slot} is the factory's")

    def _contents(self, slot: int) -> Mapping[int, OutputSettings]:
        return (self.slots[slot].outputs if slot in self.slots else None) or {}

    def _put(self, settings: DeviceSettings) -> None:
        self.live = settings.over(self.live)
        for number, output in settings.outputs.items():
            others = tuple(c for c in self.mute_causes.get(number, ()) if c in ("external", "alarm"))
            if output.mute is not None:
                self.mute_causes[number] = ("controller", *others) if output.mute else others
