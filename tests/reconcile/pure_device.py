"""A device in memory that does what schemas/wire.md says: stage, commit, keep, revert, abort; or `set`, at once."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.state import Moment, OpenChange, Reported, State
from fleet.reconcile.representable import representable


class Refusal(Exception):
    """A refusal code of the wire contract."""


@dataclass
class PureDevice:
    """Live settings and slots; what is staged; the restore point once something is committed."""

    description: Description
    live: DeviceSettings
    slots: dict[int, SlotContents]
    active_slot: int | None = None
    causes: dict[int, set[str]] = field(default_factory=dict)
    stages: bool = True
    boot: int = 1
    revision: int = 1
    open: str = ""
    """The change that is open, by its id."""
    phase: int = 0
    staged: dict[Phase, Work] | None = None
    restore: tuple[DeviceSettings, int | None, dict[int, set[str]]] | None = None

    @property
    def id(self) -> str:
        return self.description.id

    @property
    def moment(self) -> Moment:
        return Moment(boot_id=f"b-{self.boot}", revision=self.revision)

    def reported(self) -> Reported:
        muted = {n: replace(s, mute=bool(self.causes.get(n))) for n, s in self.live.outputs.items()}
        state = State(
            id=self.id,
            serial=self.description.serial,
            moment=self.moment,
            boot_count=self.boot,
            uptime_ms=0.0,
            active_slot=self.active_slot,
            live=replace(self.live, outputs=muted),
            mute_causes={n: tuple(sorted(c)) for n, c in self.causes.items()},
            change=OpenChange(id=self.open, phase=self.phase) if self.open else None,
        )
        told = self.description.slots.readable_inactive
        slots = {n: s if told or n == self.active_slot else replace(s, outputs=None) for n, s in self.slots.items()}
        return Reported(description=self.description, state=state, slots=slots)

    def do(self, work: Work, *, store: bool) -> None:
        """Recall first, then settings, then slots where they are not left for keep."""
        if work.recall is not None:
            self.active_slot = work.recall
            held = self.slots[work.recall]
            self.live = DeviceSettings(input=held.input, outputs=held.outputs or {}).over(self.live)
        if work.settings is not None:
            self._put(representable(self.description, work.settings))
        if store:
            self._store(work)
        self.revision += 1

    def stage(self, work: dict[Phase, Work], expect: Moment, change: str = "c-1") -> None:
        if self.open not in {"", change}:
            raise Refusal("change_open")
        if expect != self.moment:
            raise Refusal("wrong_revision")
        self.staged, self.open, self.phase = dict(work), change, 0

    def commit(self, phase: Phase, expect: Moment) -> Moment:
        if self.staged is None:
            raise Refusal("unknown_change")
        if expect != self.moment:
            raise Refusal("wrong_revision")
        self.restore = self.restore or (self.live, self.active_slot, self._copied_causes())
        self.do(self.staged[phase], store=False)
        self.phase = int(phase)
        return self.moment

    def keep(self) -> Moment:
        if self.staged is None:
            raise Refusal("unknown_change")
        for phase in sorted(self.staged):
            self._store(self.staged[phase])
        self.staged, self.restore, self.open = None, None, ""
        return self.moment

    def revert(self) -> None:
        if self.staged is None:
            raise Refusal("unknown_change")
        self._return()

    def reboot(self) -> None:
        """Until kept, the old state is the non-volatile one."""
        self._return()
        self.boot, self.revision = self.boot + 1, 1

    def press(self, number: int, level_db: float | None) -> None:
        """Somebody turns a knob at the panel, or mutes there."""
        if level_db is None:
            self.causes.setdefault(number, set()).add("panel")
        else:
            outputs = {**self.live.outputs, number: replace(self.live.outputs[number], level_db=level_db)}
            self.live = replace(self.live, outputs=outputs)
        self.revision += 1

    def _return(self) -> None:
        if self.restore is not None:
            self.live, self.active_slot, causes = self.restore
            by_hand = {n: c & {"panel", "external", "alarm"} for n, c in self.causes.items()}
            self.causes = {n: (causes.get(n, set()) & {"controller"}) | by_hand.get(n, set()) for n in by_hand | causes}
            self.revision += 1
        self.staged, self.restore, self.open = None, None, ""

    def _put(self, settings: DeviceSettings) -> None:
        bare = {n: replace(s, mute=None) for n, s in settings.outputs.items()}
        self.live = replace(settings, outputs=bare).over(self.live)
        for number, output in settings.outputs.items():
            causes = self.causes.get(number, set())
            if output.mute is not None:
                self.causes[number] = causes | {"controller"} if output.mute else causes - {"controller", "panel"}

    def _store(self, work: Work) -> None:
        for contents in work.slot_contents:
            had = self.slots[contents.slot]
            kept = DeviceSettings(input=had.input, outputs=had.outputs or {})
            given = DeviceSettings(input=contents.input, outputs=contents.outputs or {})
            whole = representable(self.description, given).over(kept)
            self.slots[contents.slot] = replace(contents, input=whole.input, outputs=whole.outputs)

    def _copied_causes(self) -> dict[int, set[str]]:
        return {n: set(c) for n, c in self.causes.items()}
