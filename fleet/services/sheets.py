"""What a position should be and what it is, setting by setting, in words: for the room view and the hand-over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from fleet.model.settings import DEVICE_SETTINGS, OUTPUT_SETTINGS
from fleet.model.state import Reported
from fleet.model.venue import Between, Position
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.words import SETTING_WORDS, number, raw

NOT_MANAGED: Final = "not managed"
NOT_READ: Final = "not read"
LEFT_ALONE: Final = "life safety: left alone"
SHEET_SETTINGS: Final = ("slot", *DEVICE_SETTINGS, *OUTPUT_SETTINGS)
"""The settings of a sheet, in their order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One setting of a position: what is wanted and what is reported, as words that say so where there is nothing."""

    setting: str
    word: str
    wanted: str
    reported: str


def sheet(position: Position, outlook: Outlook) -> tuple[SheetLine, ...]:
    """All settings of a position."""
    want, reported = outlook.wants.get(position.device), outlook.reported.get(position.device)
    return tuple(
        SheetLine(
            setting=name,
            word=SETTING_WORDS[name],
            wanted=wanted_words(position, want, name),
            reported=reported_words(position, reported, name),
        )
        for name in SHEET_SETTINGS
    )


def wanted_words(position: Position, want: WantedDevice | None, name: str) -> str:
    """What is wanted of one setting. Without a description of the device it is what the files say."""
    if position.life_safety:
        return LEFT_ALONE
    if (between := position.between.get(name)) is not None:
        return _range(between, name)
    output = want.outputs.get(position.output) if want else None
    if name == "slot":
        value: object = want.slot if want else _one_slot(position)
    elif name in DEVICE_SETTINGS:
        value = getattr(want if output and want else position, name)
    elif output is not None:
        value = getattr(output.settings, name)
    elif name == "delay_ms" and position.time_align is not None:
        return f"aligned to {position.time_align.to}"
    elif name == "eq" and position.target is not None:
        return "bands that the device makes of a target curve"
    else:
        value = getattr(position.fixed, name)
    return NOT_MANAGED if value is None else raw(name, value)


def reported_words(position: Position, reported: Reported | None, name: str) -> str:
    """What a device reports of one setting; that it was not read, where it was not."""
    if reported is None:
        return NOT_READ
    state = reported.state
    if name == "slot":
        return raw(name, state.active_slot)
    if name in DEVICE_SETTINGS:
        return raw(name, getattr(state.live, name))
    words = raw(name, getattr(state.output(position.output), name))
    causes = state.mute_causes.get(position.output, ())
    return f"{words} ({', '.join(causes)})" if name == "mute" and causes else words


def _range(between: Between, name: str) -> str:
    unit = "ms" if name.endswith("_ms") else "dB"
    return f"{number(between.low)} to {number(between.high)} {unit}"


def _one_slot(position: Position) -> str | None:
    """The slot as the files have it, where the device's model is not known."""
    slots = {model: slot for model, slot in position.slots.items() if model != "*"}
    named = [f"{slot} ({model})" for model, slot in sorted(slots.items())]
    every = [str(position.slots["*"])] if "*" in position.slots else []
    return ", ".join([*every, *named]) or None
