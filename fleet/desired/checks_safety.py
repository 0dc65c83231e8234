"""Checks that keep people and equipment from harm: life safety, ceilings."""

from __future__ import annotations

from collections.abc import Iterator

from fleet.desired.finding import Design, Remark
from fleet.desired.wording import listed, quoted
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


def _writable(position: Position) -> list[str]:
    """Names of everything of a position that would be written."""
    device_wide = [name for name in DEVICE_SETTINGS if getattr(position, name) is not None]
    computed = ["time_align"] if position.time_align else []
    slot = ["slot"] if position.slots else []
    return [*position.fixed.given(), *position.between, *computed, *slot, *device_wide]
