"""What a position loses by another device, in audible terms: what differs, protects less, or plays less far. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from fleet.model.description import Description, OutputDescription
from fleet.model.difference import Grade
from fleet.model.settings import OutputSettings, corner_hz
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.compare import compare
from fleet.reconcile.wanted import WantedDevice, WantedOutput
from fleet.reconcile.words import hz, number

NARROWER: Final = 1.1
"""A passband that ends so many times sooner is heard (common practice, no published source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """What a position loses by another device. A serious one keeps a device out unless a person takes it as it is."""

    position: str
    words: str
    serious: bool = False


def heard(position: Position, ideal: OutputSettings, fitted: OutputSettings, reported: Reported) -> Iterator[Loss]:
    """What would differ from the desired settings, by the comparator; a filter that is not as wanted is serious."""
    output = position.output
    sounding = reported.state.output(output)
    live = fitted.over(sounding)
    now = replace(reported.state, live=replace(reported.state.live, outputs={output: replace(live, mute=ideal.mute)}))
    wanted = WantedDevice(
        device=reported.description.id,
        description=reported.description,
        outputs={output: WantedOutput(position=position, settings=replace(ideal, mute=None))},
    )
    for found in compare([(wanted, replace(reported, state=now))]).differences:
        if found.setting != "level_db" and found.grade >= Grade.AUDIBLE:
            yield Loss(position=position.name, words=found.words, serious=found.grade is Grade.SERIOUS)


def unprotected(position: Position, able: OutputDescription, fitted: OutputSettings) -> Iterator[Loss]:
    """A high-pass that protects less than the model needs; nothing where none is managed."""
    limit_hz = able.protective_high_pass_hz
    if limit_hz is None or fitted.high_pass is None:
        return
    if corner_hz(fitted.high_pass) < limit_hz:
        words = f"no protective high-pass: this model needs one at {number(limit_hz)} Hz or higher"
        yield Loss(position=position.name, words=words, serious=True)


def narrower(position: Position, able: OutputDescription, old: Description | None) -> Iterator[Loss]:
    """A passband that ends sooner than the old device's, where that is known."""
    before = old.output(position.output) if old is not None else None
    if before is None:
        return
    (low_hz, high_hz), (old_low_hz, old_high_hz) = able.passband_hz, before.passband_hz
    if low_hz > old_low_hz * NARROWER:
        yield Loss(position=position.name, words=f"plays from {hz(low_hz)} up, the old one from {hz(old_low_hz)}")
    if high_hz * NARROWER < old_high_hz:
        yield Loss(position=position.name, words=f"plays up to {hz(high_hz)}, the old one to {hz(old_high_hz)}")
