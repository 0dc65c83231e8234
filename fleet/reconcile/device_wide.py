"""The rules for what a device has once: active slot, input, panel lock, power-up slot."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.model.difference import Grade
from fleet.model.state import State
from fleet.reconcile.judge import Finding, plain
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.words import raw

SETTINGS: Final = ("slot", "input", "panel_locked", "power_up_slot")


def findings(wanted: WantedDevice, state: State) -> Iterator[Finding]:
    """What differs, what is not wanted left out. A panel lock cannot be heard and is slight."""
    live = state.live
    if wanted.slot is not None and state.active_slot not in (wanted.slot, wanted.kept_slot or wanted.slot):
        words = f"in {_slot(state.active_slot)}, wanted slot {wanted.slot}"
        yield plain("slot", Grade.SERIOUS, words, wanted.slot, state.active_slot)
    if wanted.input is not None and wanted.input != live.input:
        words = f"on input {raw('input', live.input)}, wanted {raw('input', wanted.input)}"
        yield plain("input", Grade.SERIOUS, words, wanted.input, live.input)
    if wanted.panel_locked is not None and wanted.panel_locked != live.panel_locked:
        words = f"panel is {_lock(live.panel_locked)}, wanted {_lock(wanted.panel_locked)}"
        yield plain("panel_locked", Grade.SLIGHT, words, wanted.panel_locked, live.panel_locked)
    if wanted.power_up_slot is not None and wanted.power_up_slot != live.power_up_slot:
        words = f"powers up in {_slot(live.power_up_slot)}, wanted slot {wanted.power_up_slot}"
        yield plain("power_up_slot", Grade.AUDIBLE, words, wanted.power_up_slot, live.power_up_slot)


def stored_input(wanted: str | None, held: str | None) -> Iterator[Finding]:
    """The input a slot holds, where it should hold one."""
    if wanted is not None and wanted != held:
        words = f"input {raw('input', held)}, wanted {raw('input', wanted)}"
        yield plain("input", Grade.SERIOUS, words, wanted, held)


def _slot(number: int | None) -> str:
    return "no slot" if number is None else f"slot {number}"


def _lock(locked: bool | None) -> str:
    return "not told" if locked is None else "locked" if locked else "unlocked"
