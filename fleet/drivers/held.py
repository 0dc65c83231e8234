"""Work that a driver holds itself for devices that cannot stage: prepared, committed phase by phase, then kept."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from fleet.errors import BadInput, DeviceRefused
from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings
from fleet.model.state import Moment
from fleet.reconcile.representable import representable


@dataclass(slots=True)
class _Change:
    work: dict[Phase, Work] = field(default_factory=dict)
    last: Moment | None = None
    ended: bool = False


class HeldWork:
    """Prepared work by device and change. Speaks with the wire contract's refusal codes, as a device would."""

    def __init__(self) -> None:
        self._held: defaultdict[str, dict[str, _Change]] = defaultdict(dict)

    def hold(self, description: Description, change: str, work: Mapping[Phase, Work]) -> None:
        """Check work and keep it until its phases are committed. Raises `DeviceRefused`."""
        device = description.id
        for each in work.values():
            _check(description, each)
        changes = {name: c for name, c in self._held[device].items() if not c.ended or name == change}
        self._held[device] = changes
        held = changes.setdefault(change, _Change())
        held.work.update(work)
        held.ended = False

    def phase(self, device: str, change: str, phase: Phase) -> Work:
        """The work of one phase. Raises `DeviceRefused` (`not_staged`)."""
        held = self._held[device].get(change)
        if held is None or phase not in held.work:
            raise DeviceRefused(device, "not_staged", f"phase {phase.word} of {change} was not prepared")
        return held.work[phase]

    def committed(self, device: str, change: str, moment: Moment) -> None:
        """Remember the moment after a phase."""
        self._held[device].setdefault(change, _Change()).last = moment

    def keep(self, device: str, change: str) -> Moment | None:
        """End a change; the moment after its last phase, `None` where that is not known (any more)."""
        held = self._held[device].get(change)
        if held is None:
            return None
        held.work.clear()
        held.ended = True
        return held.last

    def abort(self, device: str, change: str) -> None:
        """Forget prepared work. Raises `DeviceRefused` (`committed`) once a phase is done."""
        held = self._held[device].get(change)
        if held is not None and held.last is not None:
            raise DeviceRefused(device, "committed", "a part of the change is done and cannot be aborted")
        self._held[device].pop(change, None)


def _check(description: Description, work: Work) -> None:
    try:
        if work.settings is not None:
            representable(description, work.settings)
        for contents in work.slot_contents:
            representable(description, DeviceSettings(input=contents.input, outputs=contents.outputs or {}))
    except BadInput as error:
        raise DeviceRefused(description.id, "unsupported", error.what) from None
