"""Checks that keep people and equipment from harm: life safety, ceilings, boxes that are left muted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.members import by_place
from fleet.desired.wording import quoted
from fleet.model.listing import listed
from fleet.model.settings import DEVICE_SETTINGS
from fleet.model.venue import Position


def life_safety(design: Design) -> Iterator[Remark]:
    """A life-safety position with any writable setting, or a device it shares with a position that has some."""
    positions = design.version.venue.positions()
    reserved = {position.device: position for position in positions if position.life_safety}
    for position in positions:
        owner, settings = reserved.get(position.device), _writable(position)
        if owner is None or not settings:
            continue
        names = listed([quoted(setting) for setting in settings])
        if position.life_safety:
            text = f"{quoted(position.name)} is life_safety and is never written to, but is given {names}"
        else:
            text = (
                f"{quoted(position.name)} is given {names}, but its device {quoted(position.device)} also serves "
                f"{quoted(owner.name)}, which is life_safety: such a device is never written to"
            )
        yield Remark("error", position, "", text)


def ceiling(design: Design) -> Iterator[Remark]:
    """A level that is above the position's own ceiling."""
    for position in design.version.venue.positions():
        allowed = position.between.get("level_db")
        level = allowed.high if allowed else position.fixed.level_db
        if level is not None and position.ceiling_db is not None and level > position.ceiling_db:
            text = f"{quoted(position.name)} would be at {level:g} dB, above its ceiling of {position.ceiling_db:g} dB"
            yield Remark("error", position, "level_db", text)


def muted(design: Design) -> Iterator[Remark]:
    """A position that is kept muted, with nobody saying why."""
    held = [position for position in design.ours() if position.fixed.mute]
    for position, names in by_place(design, held, "mute"):
        verb = "is" if names.count("`") == 2 else "are"
        yield Remark("warning", position, "mute", f"{names} {verb} kept muted; say why with a `silence`")


def _writable(position: Position) -> list[str]:
    """Names of everything of a position that would be written."""
    device_wide = [name for name in DEVICE_SETTINGS if getattr(position, name) is not None]
    computed = ["time_align"] if position.time_align else []
    slot = ["slot"] if position.slots else []
    return [*position.fixed.given(), *position.between, *computed, *slot, *device_wide]


CHECKS: Final = (
    Check(
        name="life-safety",
        look=life_safety,
        severities=("error",),
        seeks="A life-safety position with any writable setting, or a device it shares with a position that has some.",
        explains="Voice alarm and emergency equipment is approved and tested as a whole and is changed by its approved "
        "contractor only. A recall or restart spans all outputs of a device, so a shared device is left alone too.",
        source="EN 54-16, EN 50849:2017, ISO 7240-19:2007 (scopes)",
        silenceable=False,
    ),
    Check(
        name="ceiling",
        look=ceiling,
        severities=("error",),
        seeks="A level, or the top of an allowed range, above the position's own `ceiling_db`.",
        explains="The ceiling is the level that nothing may exceed; a change that would is refused.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="muted",
        look=muted,
        severities=("warning",),
        seeks="A position with `mute: true`.",
        explains="A box that is left muted is the commonest reason for a quiet corner. Where it is meant, a `silence` "
        "with its reason says so to the next person.",
        source=PRACTICE,
    ),
)
