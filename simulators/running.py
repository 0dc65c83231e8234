"""What a powered device does: the effects of each action on live settings, slots and the open change; no refusals."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from .abilities import Json, Model
from .changes import Changes
from .condition import Kept, Live, recalled, stored
from .effects import applied, returned, written
from .faults import Faults
from .fitting import Work

STAGED_FOR_MS = 60_000


class Running:
    """A device between power-up and power loss. `kept` is what survives; its owner stores it after each call."""

    def __init__(self, model: Model, kept: Kept, faults: Faults) -> None:
        self.model = model
        self.faults = faults
        self.changes = Changes()
        self.revision = 1
        self.cause = "power_up"
        self.stored_at_ms: float | None = None
        self.live = self._powered_up(kept)
        self.kept = replace(kept, boot_count=kept.boot_count + 1, live=self.live)

    @property
    def deadline_ms(self) -> float | None:
        """The uptime at which `tick` has something to do."""
        return self.changes.open.deadline_ms if self.changes.open else None

    def tick(self, uptime_ms: float) -> None:
        """Let time pass: an open change whose time ran out is reverted, or forgotten where nothing was committed."""
        if self.deadline_ms is not None and uptime_ms >= self.deadline_ms and self.changes.open:
            self.revert(self.changes.open.change)

    def disturb(self, change: Callable[[Live], Live], cause: str) -> None:
        """A change of live settings by hand or by a contact: at once, and none of an open change's business."""
        self._put(change(self.live), cause)
        self._save_what_a_reboot_returns_to()

    def store_by_hand(self, number: int) -> None:
        """A hand at the panel puts what is live into a slot, which is the active one from then on."""
        live, slot = self.live, self.kept.slots[number - 1]
        outputs = tuple(stored(self.model, settings) for settings in live.outputs)
        fresh = replace(slot, input=live.input if self.model.stores_input else None, outputs=outputs)
        self.kept = replace(self.kept, slots=(*self.kept.slots[: number - 1], fresh, *self.kept.slots[number:]))
        self.disturb(lambda now: replace(now, active_slot=number), "panel")

    def stage(self, change: str, phase: int, work: Work, uptime_ms: float) -> None:
        """Hold the work of one phase for a minute; what was staged for it before is replaced."""
        opened = self.changes.begin(change)
        opened.dies_at_ms = uptime_ms + STAGED_FOR_MS
        opened.staged[phase] = opened.contents[phase] = work

    def commit(self, phase: int, reverts_at_ms: float | None) -> None:
        """Do the staged work of the phase; the first commit takes the restore point."""
        change = self.changes.open
        assert change is not None
        if change.restore is None:
            change.restore = self.live
        change.phase = phase
        if reverts_at_ms is not None:
            change.reverts_at_ms = reverts_at_ms
        self._work(change.staged.pop(phase))

    def keep(self, change: str, uptime_ms: float) -> None:
        """Write the staged slot contents and make the live settings non-volatile."""
        assert self.changes.open is not None
        contents = self.changes.open.all_contents()
        self.changes.end(change, "kept")
        self._store(contents, uptime_ms)
        self.kept = replace(self.kept, live=self.live)

    def revert(self, change: str) -> None:
        """Return to the restore point; an abort where nothing was committed."""
        restore = self.changes.open.restore if self.changes.open else None
        self.changes.end(change, "reverted" if restore else "aborted")
        if restore:
            self._put(returned(restore, self.live), "reverted")
            self.kept = replace(self.kept, live=self.live)

    def abort(self, change: str) -> None:
        """Drop what is staged, and remember that this change is not to come."""
        self.changes.end(change, "aborted")

    def set(self, work: Work, uptime_ms: float) -> None:
        """Do the work at once and make it non-volatile at once."""
        before = self.revision
        self._work(work)
        self._store(work.slot_contents, uptime_ms)
        self.revision = before + 1
        self.kept = replace(self.kept, live=self.live)

    def _work(self, work: Work) -> None:
        does_nothing = "accepts_and_does_not" in self.faults
        live = self.live if does_nothing else applied(self.model, self.kept.slots, self.live, work)
        self._put(live, "request")

    def _store(self, contents: Iterable[Json], uptime_ms: float) -> None:
        slots = written(self.model, self.kept.slots, contents)
        if slots != self.kept.slots:
            self.revision += 1
        if contents:
            self.stored_at_ms = uptime_ms
        self.kept = replace(self.kept, slots=slots)

    def _put(self, live: Live, cause: str) -> None:
        self.live, self.cause = live, cause
        self.revision += 1

    def _save_what_a_reboot_returns_to(self) -> None:
        restore = self.changes.open.restore if self.changes.open else None
        self.kept = replace(self.kept, live=returned(restore, self.live) if restore else self.live)

    def _powered_up(self, kept: Kept) -> Live:
        power_up, live = self.model.power_up, kept.live
        if "stuck_alarm_mute" in self.faults:
            live = replace(live, mutes=tuple(causes | {"alarm"} for causes in live.mutes))
        # A device that never booted was running before the simulation found it; that is no power-up.
        if power_up.behaviour == "last_state" or kept.boot_count == 0:
            return live
        number = live.power_up_slot if power_up.slot_settable else power_up.slot
        return recalled(live, kept.slots[(number or 1) - 1])
