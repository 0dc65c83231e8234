"""Settings in layers: what room, defaults, groups and position give, and which of them wins.

A layer is a mapping of setting to value. `delay` stands for `delay_ms` and `time_align` together, since one replaces
the other; each tolerance is a setting of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from fleet.desired.curves import Curves, chain
from fleet.desired.nodes import Trail
from fleet.desired.parts import CrossoverPart, SettingsPart, TolerancesPart
from fleet.model.settings import DEVICE_SETTINGS, OUTPUT_SETTINGS, Crossover
from fleet.model.venue import Between, Loudspeaker, TimeAlign

Layer: TypeAlias = Mapping[str, object]
Complain: TypeAlias = Callable[[Trail, str], None]

DELAY_SETTINGS: Final = ("delay_ms", "time_align")
WRITABLE: Final = frozenset({*OUTPUT_SETTINGS, *DEVICE_SETTINGS, "time_align", "slot", "trim_db"})
"""Settings that end in something written to a device."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two groups of a position give different values for a setting that the position does not decide."""

    setting: str
    first: str
    second: str

    @property
    def written(self) -> tuple[str, ...]:
        """The setting as the file calls it: the keys of which one gives it."""
        if self.setting == "delay":
            return DELAY_SETTINGS
        return ("slot",) if self.setting == "slots" else (self.setting,)


def settled(own: Layer, groups: Sequence[tuple[str, Layer]], below: Layer) -> tuple[Layer, list[Disagreement]]:
    """The values that hold for a position: its own, else its groups', else the room's; and where groups disagree."""
    from_groups: dict[str, object] = {}
    giver: dict[str, str] = {}
    disagreements: dict[str, Disagreement] = {}
    for name, layer in groups:
        for setting, value in layer.items():
            if setting in own:
                continue
            if setting not in from_groups:
                from_groups[setting], giver[setting] = value, name
            elif from_groups[setting] != value:
                disagreements.setdefault(setting, Disagreement(setting, giver[setting], name))
    return {**below, **from_groups, **own}, list(disagreements.values())


def layer_of(part: SettingsPart, path: Trail, curves: Curves, complain: Complain) -> Layer:
    """What a part of a room file gives. Complains of unknown curves and of two ways to give a delay."""
    given = part.given()
    layer: dict[str, object] = {
        name: getattr(part, name)
        for name in ("mute", "polarity", "input", "panel_locked", "power_up_slot", "role")
        if name in given
    }
    if part.level_db is not None:
        layer["level_db"] = _fixed_or_range(part.level_db)
    if part.delay_ms is not None and part.time_align is not None:
        complain((*path, "time_align"), "`time_align` and `delay_ms` at one place; give one of them")
    if part.delay_ms is not None:
        layer["delay"] = _fixed_or_range(part.delay_ms)
    elif part.time_align is not None:
        layer["delay"] = TimeAlign(to=part.time_align.to, offset_ms=part.time_align.offset_ms)
    if part.eq is not None:
        layer["eq"] = chain(part.eq, (*path, "eq"), curves, complain)
    for name in ("high_pass", "low_pass"):
        value = getattr(part, name)
        if value is not None:
            layer[name] = _crossover(value) if isinstance(value, CrossoverPart) else value
    if part.listen_at_m is not None:
        layer["listen_at_m"] = tuple(part.listen_at_m)
    if part.slot is not None:
        layer["slots"] = {"*": part.slot}
    if part.loudspeaker is not None:
        layer["loudspeaker"] = Loudspeaker(**part.loudspeaker.model_dump())
    return {**layer, **tolerance_layer(part.tolerances)}


def tolerance_layer(part: TolerancesPart | None) -> Layer:
    """Each tolerance given, as a setting of its own."""
    if part is None:
        return {}
    return {f"tolerances.{name}": getattr(part, name) for name in part.given()}


def _crossover(part: CrossoverPart) -> Crossover:
    return Crossover(family=part.family, slope_db_per_octave=part.slope_db_per_octave, frequency_hz=part.frequency_hz)


def _fixed_or_range(value: object) -> object:
    bounds = getattr(value, "between", None)
    return value if bounds is None else Between(low=bounds[0], high=bounds[1])
