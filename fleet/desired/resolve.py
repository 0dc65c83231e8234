"""A room file into a room of the model: every default, group, curve and trim applied, with all complaints collected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import cast

from fleet.desired.align import alignment_faults
from fleet.desired.assemble import furnished, point_of, silence_of, surrounded
from fleet.desired.check import CHECKS
from fleet.desired.curves import Curves, chain_of, curve_of
from fleet.desired.files import GroupPart, PositionPart, RoomFile
from fleet.desired.layers import (
    WRITABLE,
    Layer,
    layer_of,
    settled,
    tolerance_layer,
)
from fleet.desired.loudspeaker_types import Types, line_of
from fleet.desired.modes import Foundation, modes_of
from fleet.desired.nodes import Trail
from fleet.desired.parts import HOUSE, SettingsPart, TolerancesPart
from fleet.desired.reading import Broken
from fleet.desired.references import references_of
from fleet.desired.selecting import selected
from fleet.desired.surroundings import SilencePart
from fleet.desired.wording import hint, quoted
from fleet.model.listing import listed
from fleet.model.venue import Between, Group, Position, Room, StandIn


@dataclass(frozen=True, slots=True, order=True)
class Trouble:
    """A complaint about what is written at a path; one at the path of a position or group is about its name."""

    path: Trail
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """What the venue file gives to every room."""

    curves: Curves = field(default_factory=dict)
    tolerances: TolerancesPart | None = None
    loudspeaker_types: Types = field(default_factory=dict)


def resolve_room(file: RoomFile, broken: Broken, shared: Shared) -> tuple[Room, list[Trouble]]:
    """The room that a file describes, and what is wrong with it. With troubles the room is not to be used."""
    resolver = _Resolver(file, broken, shared)
    room = resolver.room()
    return room, list(dict.fromkeys(resolver.troubles))


class _Resolver:
    def __init__(self, file: RoomFile, broken: Broken, shared: Shared) -> None:
        self.file = file
        self.troubles: list[Trouble] = []
        self.broken = broken
        self.broken_groups = {name for section, name in broken if section == "groups"}
        self.broken_positions = {name for section, name in broken if section == "positions"}
        self.types = shared.loudspeaker_types
        self.position_names = set(file.positions) | self.broken_positions
        self.curves = self._curves(shared, {name for section, name in broken if section == "curves"})
        self.below = self._below(shared)
        self.values: dict[str, Layer] = {}
        self.groups: Mapping[str, Layer] = {
            name: self._layer(part, ("groups", name)) for name, part in file.groups.items()
        }

    def room(self) -> Room:
        for name in sorted(set(self.file.positions) & set(self.file.groups)):
            self._complain(("positions", name), f"{quoted(name)} is also a group of this room; rename one of them")
        positions: dict[str, Position] = {}
        for name, part in self.file.positions.items():
            path = ("positions", name)
            member_of, own = self._groups_of(part, path), self._layer(part, path)
            if self.broken_groups.isdisjoint(part.groups):
                positions[name] = self._position(name, part, member_of, own)
        for name, text in alignment_faults(positions):
            self._complain(("positions", name), text)
        self._without_template()
        self._self_repair()
        self._silence(self.file.silence, ())
        self._subwoofer_pairs()
        self._spares()
        room = Room(
            name=self.file.room,
            title=self.file.name or self.file.room,
            positions=positions,
            groups={name: self._group(name, part) for name, part in self.file.groups.items()},
            modes=modes_of(self._foundation(positions), self._complain),
            air_temperature_c=self.file.air_temperature_c,
            house_curve=self.file.house_curve.curve if self.file.house_curve else None,
            mute_while_recalling=self.file.mute_while_recalling,
            spares={device: tuple(part.spare_for) for device, part in self.file.spares.items()},
        )
        return selected(surrounded(room, self.file), self.file, self.broken, self._complain)

    def _complain(self, path: Trail, text: str) -> None:
        self.troubles.append(Trouble(path, text))

    def _curves(self, shared: Shared, broken: set[str]) -> Curves:
        curves = {
            **shared.curves,
            **{name: curve_of(part) for name, part in self.file.curves.items()},
            **dict.fromkeys(broken),
        }
        if self.file.house_curve is None:
            return curves
        name = self.file.house_curve.curve
        if name not in curves:
            self._complain(("house_curve", "curve"), f"unknown curve {quoted(name)}{hint(name, curves)}")
        return {**curves, HOUSE: curves.get(name)}

    def _below(self, shared: Shared) -> Layer:
        """What every position has unless a group or itself says otherwise."""
        below: dict[str, object] = {**tolerance_layer(shared.tolerances), **tolerance_layer(self.file.tolerances)}
        if self.file.listen_at_m is not None:
            below["listen_at_m"] = tuple(self.file.listen_at_m)
        house = self.file.house_curve
        if house is not None:
            below["eq"] = chain_of(self.curves[HOUSE])
            below["slots"] = dict(house.slots) if house.slots else {"*": house.slot} if house.slot else {}
        return {**below, **self._layer(self.file.defaults, ("defaults",))}

    def _foundation(self, positions: Mapping[str, Position]) -> Foundation:
        return Foundation(
            file=self.file,
            curves=self.curves,
            positions=positions,
            values=self.values,
            broken=self.broken,
            layer=self._layer,
        )

    def _layer(self, part: SettingsPart, path: Trail, curves: Curves | None = None) -> Layer:
        if part.time_align is not None and part.time_align.to not in self.position_names:
            to = part.time_align.to
            self._complain((*path, "time_align", "to"), f"unknown position {quoted(to)}{hint(to, self.position_names)}")
        return layer_of(part, path, self.curves if curves is None else curves, self._complain)

    def _group(self, name: str, part: GroupPart) -> Group:
        members = tuple(position for position, entry in self.file.positions.items() if name in entry.groups)
        return Group(name=name, room=self.file.room, positions=members, together=part.together)

    def _position(self, name: str, part: PositionPart, groups: tuple[str, ...], own: Layer) -> Position:
        path = ("positions", name)
        position = Position(
            name=name,
            room=self.file.room,
            device=part.device,
            output=part.output,
            groups=groups,
            at_m=point_of(part.at_m),
            ceiling_db=part.ceiling_db,
            life_safety=part.life_safety,
            role=part.role or "",
            references=references_of(part),
            line=line_of(part.line, self.types, (*path, "line"), self._complain),
            stands_in=stand_in_of(part),
            silence=silence_of(part.silence),
        )
        self._silence(part.silence, path)
        if part.life_safety:
            self._no_settings(part, path)
            return position
        values, disagreements = settled(own, [(group, self.groups[group]) for group in groups], self.below)
        for one in disagreements:
            self._complain(
                path,
                f"groups {quoted(one.first)} and {quoted(one.second)} of {quoted(name)} disagree on "
                f"{listed([quoted(word) for word in one.written], 'or')}; give it at the position",
            )
        coherent = tuple(group for group in groups if self.file.groups[group].together)
        self.values[name] = {**values, **self._trimmed(part, path, values)}
        return furnished(replace(position, coherent=coherent), self.values[name])

    def _silence(self, parts: Sequence[SilencePart], path: Trail) -> None:
        for number, part in enumerate(parts):
            check = CHECKS.get(part.check)
            where = (*path, "silence", number, "check")
            if check is None:
                self._complain(where, f"unknown check {quoted(part.check)}{hint(part.check, CHECKS)}")
            elif not check.silenceable:
                self._complain(where, f"check {quoted(part.check)} cannot be silenced; put right what it finds")

    def _without_template(self) -> None:
        for key in ("devices", "origin_m"):
            if self.file.template is None and key in self.file.given():
                self._complain((key,), f"{quoted(key)} is for a room that stands on a `template`; this one has none")

    def _self_repair(self) -> None:
        if self.file.on_drift == "repair" and self.file.nobody_near is None:
            text = "`repair` needs to know when nobody works near the boxes; give `nobody_near`: hours, or `always`"
            self._complain(("on_drift",), text)

    def _subwoofer_pairs(self) -> None:
        for number, pair in enumerate(self.file.subwoofer_pairs):
            for end in ("front", "rear"):
                name = getattr(pair, end)
                if name not in self.position_names:
                    text = f"unknown position {quoted(name)}{hint(name, self.position_names)}"
                    self._complain(("subwoofer_pairs", number, end), text)
            if pair.front == pair.rear:
                text = f"{quoted(pair.front)} cannot be a pair with itself; name two positions"
                self._complain(("subwoofer_pairs", number, "rear"), text)

    def _spares(self) -> None:
        for device, part in self.file.spares.items():
            for number, name in enumerate(part.spare_for):
                if name not in self.position_names:
                    text = f"unknown position {quoted(name)}{hint(name, self.position_names)}"
                    self._complain(("spares", device, "spare_for", number), text)

    def _groups_of(self, part: PositionPart, path: Trail) -> tuple[str, ...]:
        known = set(self.file.groups) | self.broken_groups
        for number, group in enumerate(part.groups):
            if group not in known:
                text = f"unknown group {quoted(group)}{hint(group, known)}"
                self._complain((*path, "groups", number), text)
            elif group in part.groups[:number]:
                self._complain((*path, "groups", number), f"group {quoted(group)} is listed twice")
        return tuple(dict.fromkeys(group for group in part.groups if group in self.file.groups))

    def _no_settings(self, part: PositionPart, path: Trail) -> None:
        written = sorted(part.given() & WRITABLE)
        if written:
            names = listed([quoted(setting) for setting in written])
            self._complain(path, f"{quoted(str(path[-1]))} is life_safety and is never written to; remove {names}")

    def _trimmed(self, part: PositionPart, path: Trail, values: Layer) -> Layer:
        """The level with the position's trim added, where it has one."""
        if part.trim_db is None:
            return {}
        where = (*path, "trim_db")
        level = values.get("level_db")
        if part.level_db is not None:
            self._complain(where, "`trim_db` beside `level_db`: a trim adds to the level of group or room; give one")
        elif level is None:
            self._complain(where, "`trim_db` has nothing to add to: neither group nor `defaults` give a `level_db`")
        elif isinstance(level, Between):
            self._complain(where, "`trim_db` needs a fixed `level_db`, but group or room give a range")
        else:
            return {"level_db": cast(float, level) + part.trim_db}
        return {}


def stand_in_of(part: PositionPart) -> StandIn | None:
    """What a position's device stands in for."""
    if part.stands_in is None:
        return None
    return StandIn(instead_of=part.stands_in.instead_of, until=date.fromisoformat(part.stands_in.until))
