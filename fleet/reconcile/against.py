"""Two snapshots compared by meaning: the first is taken as what is wanted, the second as what is reported."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from fleet.model.difference import Comparison, NotChecked, Note
from fleet.model.settings import OutputSettings, SlotContents
from fleet.model.snapshot import Snapshot
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.compare import compare
from fleet.reconcile.wanted import WantedDevice, WantedOutput


def compare_snapshots(first: Snapshot, second: Snapshot) -> Comparison:
    """What differs in the second from the first; devices that only one of them holds are named as not checked.

    There is no room in a snapshot: devices stand where positions do, one `output-N` for each output.
    """
    before = {r.state.id: r for r in first.body.devices}
    after = {r.state.id: r for r in second.body.devices}
    pairs = [
        (wanted, after[device])
        for device in sorted(before.keys() & after.keys())
        for wanted in _as_wanted(before[device])
    ]
    found = compare(pairs)
    only = [
        NotChecked(room=device, position="", device=device, reason="missing", words=f"only in snapshot {where.id}")
        for where, devices in ((first, before.keys() - after.keys()), (second, after.keys() - before.keys()))
        for device in sorted(devices)
    ]
    notes = [
        Note(room=device, position="", device=device, words=words)
        for device in sorted(before.keys() & after.keys())
        for words in _moved(before[device], after[device])
    ]
    return replace(found, checked=tuple(dict.fromkeys(found.checked)), notes=tuple(notes), not_checked=tuple(only))


def _moved(before: Reported, after: Reported) -> Iterator[str]:
    """What is another now although it is no setting, and slots that were told and are not any more."""
    for name in ("serial", "model", "firmware", "mac"):
        was, is_now = getattr(before.description, name), getattr(after.description, name)
        if was != is_now:
            yield f"{name} was {was or 'not told'} and is {is_now or 'not told'}"
    for slot in sorted(before.slots):
        if _readable(before, slot) is not None and _readable(after, slot) is None:
            yield f"slot {slot} could be read before and cannot be read now"


def _as_wanted(reported: Reported) -> Iterator[WantedDevice]:
    """A reported device as a wish: its live state with its active slot, then each other slot that can be read."""
    state = reported.state
    active = _readable(reported, state.active_slot)
    yield replace(
        _nothing(reported, live=True),
        input=state.live.input,
        panel_locked=state.live.panel_locked,
        power_up_slot=state.live.power_up_slot,
        slot=state.active_slot,
        stored=active,
    )
    for slot in sorted(reported.slots):
        if slot != state.active_slot and (contents := _readable(reported, slot)) is not None:
            yield replace(_nothing(reported, live=False), stored=contents)


def _readable(reported: Reported, slot: int | None) -> SlotContents | None:
    contents = reported.slots.get(slot) if slot is not None else None
    return contents if contents is not None and contents.outputs is not None else None


def _nothing(reported: Reported, *, live: bool) -> WantedDevice:
    device = reported.state.id
    outputs = {
        number: WantedOutput(
            position=Position(name=f"output-{number}", room=device, device=device, output=number),
            settings=settings if live else OutputSettings(),
        )
        for number, settings in reported.state.live.outputs.items()
    }
    return WantedDevice(device=device, description=reported.description, outputs=outputs)
