"""The modes of a room, each resolved to whole positions: what a mode says, laid over what the room says.

Within a mode the same layers hold as in a room: position over group over defaults. What the mode says at any of them
wins over what the room says at any. A `house_curve` of a mode is what `house` stands for in it, in the room's layers
as well.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias, cast

from fleet.desired.align import alignment_faults
from fleet.desired.assemble import furnished
from fleet.desired.curves import Curves, chain, chain_of
from fleet.desired.files import PositionPart, RoomFile
from fleet.desired.finding import some
from fleet.desired.layers import Complain, Layer, settled
from fleet.desired.mode_parts import ModePart
from fleet.desired.nodes import Trail
from fleet.desired.parts import HOUSE, SettingsPart
from fleet.desired.reading import Broken
from fleet.desired.sharing import ANY_MODEL
from fleet.desired.wording import hint, quoted
from fleet.model.listing import listed
from fleet.model.settings import STORABLE
from fleet.model.venue import Between, Mode, Position

LayerOf: TypeAlias = Callable[[SettingsPart, Trail, Curves], Layer]

_SECTIONS: Final = ("groups", "positions")


@dataclass(frozen=True, slots=True, kw_only=True)
class Foundation:
    """What the modes of a room are laid over: its file, its positions without modes, and the values of each.

    `broken` names parts of the file that are complained of already.
    """

    file: RoomFile
    curves: Curves
    positions: Mapping[str, Position]
    values: Mapping[str, Layer]
    broken: Broken
    layer: LayerOf


def modes_of(base: Foundation, complain: Complain) -> dict[str, Mode]:
    """The modes by name; `together_with` is as written. Complains of all that is wrong in any of them."""
    resolvers = {name: _ModeResolver(base, name, part, complain) for name, part in base.file.modes.items()}
    modes = {name: one.mode() for name, one in resolvers.items()}
    _slots_taken(base, modes, {name: one.own_slot for name, one in resolvers.items()}, complain)
    return modes


def stored_alike(one: Position, other: Position) -> bool:
    """Whether a preset slot that holds the one holds the other too."""

    def stored(p: Position) -> tuple[object, ...]:
        return p.fixed.only(STORABLE), p.time_align, p.target, p.input

    return stored(one) == stored(other)


class _ModeResolver:
    def __init__(self, base: Foundation, name: str, part: ModePart, complain: Complain) -> None:
        self.base = base
        self.name = name
        self.part = part
        self.path: Trail = ("modes", name)
        self.complain = complain
        self.own_slot: set[str] = set()
        """Positions whose slot the mode gives."""

    def mode(self) -> Mode:
        self._unknown_names()
        curves = self._curves()
        below = {**_slots(self.part), **self.base.layer(self.part.defaults, (*self.path, "defaults"), curves)}
        groups = self._layers("groups", self.part.groups, curves)
        own = self._layers("positions", self.part.positions, curves)
        positions = {
            name: self._position(position, curves, below, groups, own.get(name, {}))
            for name, position in self.base.positions.items()
        }
        known = set(alignment_faults(self.base.positions))
        for name, text in alignment_faults(positions):
            if (name, text) not in known:
                self.complain((*self.path, "positions", name), f"in mode {quoted(self.name)}: {text}")
        return Mode(
            name=self.name,
            title=self.part.name or self.name,
            positions=positions,
            house_curve=self.part.house_curve,
            together_with=dict(self.part.together_with),
        )

    def _unknown_names(self) -> None:
        for section in _SECTIONS:
            known = {*getattr(self.base.file, section), *(n for s, n in self.base.broken if s == section)}
            for name in getattr(self.part, section):
                if name not in known:
                    text = f"unknown {section[:-1]} {quoted(name)}{hint(name, known)}"
                    self.complain((*self.path, section, name), text)
        for name in self.part.positions:
            if name in self.base.positions and self.base.positions[name].life_safety:
                text = f"{quoted(name)} is life_safety and is never written to; take it out of mode {quoted(self.name)}"
                self.complain((*self.path, "positions", name), text)

    def _curves(self) -> Curves:
        """The room's curves, with the mode's own as the house curve."""
        name = self.part.house_curve
        if name is None:
            return self.base.curves
        if name not in self.base.curves or name == HOUSE:
            known = set(self.base.curves) - {HOUSE}
            self.complain((*self.path, "house_curve"), f"unknown curve {quoted(name)}{hint(name, known)}")
        return {**self.base.curves, HOUSE: self.base.curves.get(name)}

    def _layers(self, section: str, parts: Mapping[str, SettingsPart], curves: Curves) -> dict[str, Layer]:
        return {name: self.base.layer(part, (*self.path, section, name), curves) for name, part in parts.items()}

    def _position(
        self, position: Position, curves: Curves, below: Layer, groups: Mapping[str, Layer], own: Layer
    ) -> Position:
        if position.life_safety:
            return position
        said = [(group, groups[group]) for group in position.groups if group in groups]
        values, disagreements = settled(own, said, below)
        for one in disagreements:
            self.complain(
                self.path,
                f"in mode {quoted(self.name)} groups {quoted(one.first)} and {quoted(one.second)} of "
                f"{quoted(position.name)} disagree on {listed([quoted(word) for word in one.written], 'or')}; "
                "give it at the position",
            )
        if "slots" in values:
            self.own_slot.add(position.name)
        room = {**self.base.values[position.name], **self._house_eq(position, curves)}
        laid = {**room, **values, **self._slots(room, values), **self._trimmed(position, values, own)}
        other = furnished(position, laid)
        return position if other == position else replace(other, stored_as=position)

    def _house_eq(self, position: Position, curves: Curves) -> Layer:
        """What the room gives as `eq` where `house` is another curve."""
        if self.part.house_curve is None:
            return {}
        file = self.base.file
        givers = (file.positions[position.name], *(file.groups[group] for group in position.groups), file.defaults)
        given = next((giver.eq for giver in givers if giver.eq is not None), None)
        if given is None:
            return {"eq": chain_of(curves[HOUSE])}
        told: set[str] = set()
        chain(given, (), self.base.curves, lambda _, text: told.add(text))

        def tell_new(_path: Trail, text: str) -> None:
            if text not in told:
                self.complain(
                    (*self.path, "house_curve"), f"{quoted(position.name)} in mode {quoted(self.name)}: {text}"
                )

        return {"eq": chain(given, (), curves, tell_new)}

    def _slots(self, room: Layer, values: Layer) -> Layer:
        """Slots by model: those that the mode does not name stay the room's, unless it gives one for every model."""
        given = cast(Mapping[str, int], values.get("slots", {}))
        if not given or ANY_MODEL in given:
            return {}
        return {"slots": {**cast(Mapping[str, int], room.get("slots", {})), **given}}

    def _trimmed(self, position: Position, values: Layer, own: Layer) -> Layer:
        """A level that the mode gives to a group or the room, with the position's trim added."""
        part: PositionPart = self.base.file.positions[position.name]
        level = values.get("level_db")
        if part.trim_db is None or level is None or "level_db" in own:
            return {}
        if isinstance(level, Between):
            text = f"{quoted(position.name)} has a `trim_db`, which needs a fixed `level_db`, but mode "
            self.complain(self.path, f"{text}{quoted(self.name)} gives a range; give it one at the position")
            return {}
        return {"level_db": cast(float, level) + part.trim_db}


def _slots(part: ModePart) -> Layer:
    if part.slots:
        return {"slots": dict(part.slots)}
    return {"slots": {ANY_MODEL: part.slot}} if part.slot else {}


def _slots_taken(
    base: Foundation, modes: Mapping[str, Mode], own_slot: Mapping[str, set[str]], complain: Complain
) -> None:
    """Complain of a mode's slot that would have to hold something else too.

    Where slots go by model, that is for the design check, which knows the models.
    """
    earlier: dict[str, tuple[Mapping[str, Position], set[str]]] = {}
    for name, mode in modes.items():
        part = base.file.modes[name]
        at: Trail = ("modes", name, "slot") if part.slot else ("modes", name)
        others = {"the room without modes": (base.positions, set(base.positions)), **earlier}
        for owner, (positions, slotted) in others.items():
            for slot, names in _taken(mode.positions, positions, own_slot[name] & slotted):
                verb = "is" if len(names) == 1 else "are"
                what = f"slot {slot} is the slot of {owner}, where {some(names)} {verb} set otherwise"
                complain(at, f"{what}; give mode {quoted(name)} another slot, or none")
        earlier[f"mode {quoted(name)}"] = (mode.positions, own_slot[name])


def _taken(
    here: Mapping[str, Position], there: Mapping[str, Position], names: set[str]
) -> Iterator[tuple[int, list[str]]]:
    """Each slot that both have for every model, with the positions that they set differently."""
    found: dict[int, list[str]] = defaultdict(list)
    for name, position in here.items():
        if name not in names or set(position.slots) != {ANY_MODEL} or position.slots != there[name].slots:
            continue
        if not stored_alike(position, there[name]):
            found[position.slots[ANY_MODEL]].append(name)
    yield from sorted(found.items())
