"""The house-curve proof: whether the slot that brings a room back by itself holds what is desired, device by device."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model.difference import Comparison, Difference, Grade
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.wanted import WantedDevice
from fleet.services.handover.pack import SlotProof, SlotRow


def slot_rows(positions: Sequence[Position], outlook: Outlook, comparison: Comparison) -> tuple[SlotRow, ...]:
    """A row for each device of these positions, by id. What is compared is what these positions want of it."""
    by_device: dict[str, list[Position]] = {}
    for p in sorted(positions, key=lambda p: (p.room, p.name)):
        by_device.setdefault(p.device, []).append(p)
    return tuple(_row(device, own, outlook, comparison) for device, own in sorted(by_device.items()))


def _row(device: str, own: list[Position], outlook: Outlook, comparison: Comparison) -> SlotRow:
    want, reported = outlook.wants.get(device), outlook.reported.get(device)
    slot = want.slot if want else None
    contents = reported.slots.get(slot) if reported and slot is not None else None
    proof, words = _proof(device, own, want, outlook, comparison)
    return SlotRow(
        device=device,
        positions=tuple(f"{p.room}/{p.name}" for p in own),
        slot=slot,
        name=contents.name if contents else "",
        active=reported.state.active_slot if reported else None,
        proof=proof,
        words="; ".join(filter(None, [words, *(want.problems if want else ())])),
    )


def _proof(
    device: str, own: list[Position], want: WantedDevice | None, outlook: Outlook, comparison: Comparison
) -> tuple[SlotProof, str]:
    if unread := _unread(device, own, outlook):
        return unread
    if want is None or want.slot is None or want.stored is None:
        return "not desired", "no preset slot is desired"
    if not any(settings.given() for settings in (want.stored.outputs or {}).values()):
        return "not desired", "nothing that the slot could hold is managed"
    if not _readable(outlook.reported[device], want.slot):
        return "not readable", "the device does not tell what the slot holds"
    apart = [d for d in comparison.differences if d.device == device and d.subject == "stored"]
    counting = [d for d in apart if d.grade >= Grade.AUDIBLE]
    proof: SlotProof = "differs" if counting else "slightly apart" if apart else "equal"
    return proof, "; ".join(_words(d) for d in counting or apart)


def _words(difference: Difference) -> str:
    agreed = difference.agreed
    return f"{difference.words} (agreed until {agreed.until.isoformat()})" if agreed else difference.words


def _unread(device: str, own: list[Position], outlook: Outlook) -> tuple[SlotProof, str] | None:
    """Why nothing can be said of a device's slots, if that is so."""
    if any(p.life_safety for p in own):
        return "left alone", "serves life safety"
    for reasons in (outlook.conflicting, outlook.unreachable, outlook.unsuitable):
        if device in reasons:
            return "not read", reasons[device]
    return None if device in outlook.reported else ("not read", "has not told what it is")


def _readable(reported: Reported, slot: int) -> bool:
    contents = reported.slots.get(slot)
    return contents is not None and contents.outputs is not None
