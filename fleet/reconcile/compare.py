"""The one comparator, behind diff, verify, drift and audit: what is not as wanted, and whether it can be heard."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from fleet.model.difference import Comparison, Difference, NotChecked, Note, Subject
from fleet.model.settings import OUTPUT_SETTINGS, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile import device_wide, judge, one_output
from fleet.reconcile.distance import ChainPair, chain_distances
from fleet.reconcile.judge import Finding
from fleet.reconcile.notes import notes
from fleet.reconcile.wanted import WantedDevice

ORDER: Final = {name: index for index, name in enumerate((*device_wide.SETTINGS, *OUTPUT_SETTINGS))}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a difference is: of which position, and whether in live settings or in a slot's contents."""

    position: Position
    subject: Subject = "live"
    slot: int | None = None

    def difference(self, finding: Finding) -> Difference:
        """A finding at this place."""
        p = self.position
        return Difference(
            room=p.room,
            position=p.name,
            device=p.device,
            output=p.output,
            subject=self.subject,
            setting=finding.setting,
            grade=finding.grade,
            words=f"slot {self.slot}: {finding.words}" if self.subject == "stored" else finding.words,
            wanted=finding.wanted,
            found=finding.found,
            amount=finding.amount,
            unit=finding.unit,
            slot=self.slot,
        )


@dataclass(slots=True)
class Sheet:
    """What came to light so far, and the filter chains whose responses are still to be computed."""

    checked: list[tuple[str, str]] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    not_checked: list[NotChecked] = field(default_factory=list)
    chains: list[tuple[Spot, ChainPair]] = field(default_factory=list)

    def add(self, spot: Spot, found: Iterable[Finding | ChainPair]) -> None:
        """Take findings down as differences, and put chains by."""
        for item in found:
            if isinstance(item, ChainPair):
                self.chains.append((spot, item))
            else:
                self.differences.append(spot.difference(item))


def compare(pairs: Sequence[tuple[WantedDevice, Reported]]) -> Comparison:
    """Compare what devices should be with what they report, live settings and house-curve slots.

    What is not wanted is not compared. Filters are compared by response, all devices of a sample rate together.
    Device-wide differences and notes stand at the device's position of the lowest output.
    """
    sheet = Sheet()
    for wanted, reported in pairs:
        _compare_device(sheet, wanted, reported)
    distances = chain_distances([pair for _, pair in sheet.chains])
    for (spot, pair), distance in zip(sheet.chains, distances, strict=True):
        finding = judge.response(spot.position, pair.setting, pair.wanted, pair.found, distance)
        sheet.add(spot, [finding] if finding else [])
    return Comparison(
        checked=tuple(sorted(sheet.checked)),
        differences=tuple(sorted(sheet.differences, key=_place_in_order)),
        notes=tuple(sorted(sheet.notes, key=lambda n: (n.room, n.position))),
        not_checked=tuple(sorted(sheet.not_checked, key=lambda n: (n.room, n.position))),
    )


def _place_in_order(difference: Difference) -> tuple[str, str, bool, int]:
    return difference.room, difference.position, difference.subject == "stored", ORDER[difference.setting]


def _compare_device(sheet: Sheet, wanted: WantedDevice, reported: Reported) -> None:
    outputs = [output for _, output in sorted(wanted.outputs.items())]
    if any(output.position.life_safety for output in outputs):
        sheet.not_checked.extend(_left_to_life_safety(output.position) for output in outputs)
        return
    if not outputs:
        return
    first = Spot(outputs[0].position)
    sheet.add(first, device_wide.findings(wanted, reported.state))
    for output in outputs:
        position = output.position
        sheet.checked.append((position.room, position.name))
        sheet.add(Spot(position), one_output.live(output, reported))
    _compare_stored(sheet, first, wanted, reported)
    sheet.notes.extend(notes(wanted, reported))


def _left_to_life_safety(position: Position) -> NotChecked:
    return NotChecked(
        room=position.room,
        position=position.name,
        device=position.device,
        reason="life_safety",
        words="the device serves life safety: nothing is wanted of it here",
    )


def _compare_stored(sheet: Sheet, first: Spot, wanted: WantedDevice, reported: Reported) -> None:
    """Contents of the house-curve slot, where there is one and it can be read."""
    if wanted.stored is None or wanted.stored.outputs is None:
        return
    slot = wanted.stored.slot
    contents = reported.slots.get(slot)
    if contents is None or contents.outputs is None:
        return
    sheet.add(Spot(first.position, "stored", slot), device_wide.stored_input(wanted.stored.input, contents.input))
    for number, settings in wanted.stored.outputs.items():
        output = wanted.outputs[number].kept or wanted.outputs[number]
        held = contents.outputs.get(number, OutputSettings())
        found = one_output.stored(output, settings, held, reported.description)
        sheet.add(Spot(output.position, "stored", slot), found)
