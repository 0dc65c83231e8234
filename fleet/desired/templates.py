"""A room laid over the template of the venue that it stands on: one room as data, as if it had been written in full.

What the room says wins, setting by setting: a position of the room over the same position of the template, and so for
groups, defaults and tolerances; curves and modes are added by name, and everything else is replaced whole. `devices`
binds the template's positions.
Coordinates of the template are shifted by the room's `origin_m`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from fleet.desired.nodes import Data, Document, Trail, document
from fleet.desired.scalars import Scalar
from fleet.desired.wording import hint, quoted
from fleet.desired.written import Source, Written
from fleet.errors import Complaint
from fleet.model.names import shown

_BY_NAME: Final = frozenset({"curves", "groups", "modes", "positions"})
"""Sections whose entries have names."""
_BY_SETTING: Final = frozenset({"groups", "positions", "defaults"})
"""Where settings stand, which the room may give one by one."""
_REPLACES: Final[Mapping[str, str]] = {"delay_ms": "time_align", "time_align": "delay_ms", "level_db": "trim_db"}
"""A setting of the room, and what it takes the place of besides itself."""
_COORDINATES: Final = frozenset({"at_m", "listen_at_m"})


@dataclass(frozen=True, slots=True)
class OnTemplate:
    """A room in full, what is wrong with how it stands on its template, and positions that lack a device."""

    written: Written
    complaints: tuple[Complaint, ...] = ()
    unbound: tuple[str, ...] = ()


@lru_cache(maxsize=1024)
def stands_on(text: str) -> bool:
    """Whether a room file names a template."""
    if "template" not in text:
        return False
    data = document(text).data
    return isinstance(data, dict) and "template" in data


@lru_cache(maxsize=16)
def on_template(file: str, text: str, venue_file: str, venue_text: str) -> OnTemplate:
    """The room of a file that names a template; without it where the template is unknown, which is a complaint."""
    own = document(text)
    assert isinstance(own.data, dict)
    laying = _Laying(file, own, own.data, venue_file, document(venue_text))
    laying.lay()
    return OnTemplate(Written(laying.merged, laying.sources), tuple(laying.complaints), tuple(laying.unbound))


@dataclass(slots=True)
class _Laying:
    file: str
    own: Document
    room: dict[str, Data]
    venue_file: str
    venue: Document
    merged: dict[str, Data] = field(default_factory=dict)
    sources: dict[Trail, Source] = field(default_factory=dict)
    complaints: list[Complaint] = field(default_factory=list)
    unbound: list[str] = field(default_factory=list)

    def lay(self) -> None:
        self.merged = dict(self.room)
        self.sources[()] = Source(self.file, self.own, ())
        name = self.room["template"]
        template = self._template(name)
        if template is None or not isinstance(name, Scalar):
            return
        origin = _point(self.room.get("origin_m"))
        for key, below in template.items():
            if key not in ("room", "format"):
                path = ("templates", name.text, key)
                self.merged[key] = self._over(self.room.get(key), _shifted(below, key, origin), (key,), path)
        self._bind(name.text, template.get("positions"))

    def _template(self, name: Data) -> dict[str, Data] | None:
        if not isinstance(name, Scalar) or not isinstance(self.venue.data, dict):
            return None  # the one is complained of as a value, the other with the venue file
        templates = self.venue.data.get("templates", {})
        if not isinstance(templates, dict):
            return None
        if name.text not in templates:
            self._complain(("template",), f"unknown template {quoted(name.text)}{hint(name.text, templates)}")
            return None
        template = templates[name.text]
        return template if isinstance(template, dict) else None

    def _over(self, above: Data | None, below: Data, path: Trail, source: Trail) -> Data:
        """The room's part over the template's. Where the template's stays, its place is noted."""
        if above is None:
            self.sources[path] = Source(self.venue_file, self.venue, source)
            return below
        if not (isinstance(above, dict) and isinstance(below, dict) and _merges(path)):
            return above
        replaced = {_REPLACES[key] for key in above if key in _REPLACES} if _settings(path) else set()
        merged = {
            key: self._over(above.get(key), part, (*path, key), (*source, key))
            for key, part in below.items()
            if key in above or key not in replaced
        }
        return {**merged, **{key: part for key, part in above.items() if key not in below}}

    def _bind(self, template: str, places: Data | None) -> None:
        """Put devices to the template's positions; one that gets none is taken out and complained of."""
        devices, positions = self.room.get("devices", {}), self.merged.get("positions", {})
        if not isinstance(devices, dict) or not isinstance(positions, dict):
            return
        positions = dict(positions)
        known = list(places) if isinstance(places, dict) else []
        for name, entry in devices.items():
            place = positions.get(name)
            if name not in known:
                what = f"template {quoted(template)} has no position {quoted(name)}{hint(name, known)}"
                self._complain(("devices", name), what, at_key=True)
            elif isinstance(place, dict) and "device" in place:
                what = f"{quoted(name)} has its device at the position already; give it once"
                self._complain(("devices", name), what, at_key=True)
            elif isinstance(place, dict):
                positions[name] = {**place, **self._bound(name, entry)}
        for name in known:
            place = positions.get(name)
            if isinstance(place, dict) and "device" not in place:
                del positions[name]
                self.unbound.append(name)
                at: Trail = ("devices",) if "devices" in self.room else ("template",)
                what = f"position {quoted(name)} of template {quoted(template)} has no device"
                self._complain(at, f"{what}; give it in `devices`", at_key=True)
        self.merged["positions"] = positions

    def _bound(self, name: str, entry: Data) -> dict[str, Data]:
        if not isinstance(entry, dict):
            self.sources["positions", name, "device"] = Source(self.file, self.own, ("devices", name))
            return {"device": entry}
        for key in entry:
            self.sources["positions", name, key] = Source(self.file, self.own, ("devices", name, key))
        return entry

    def _complain(self, path: Trail, what: str, *, at_key: bool = False) -> None:
        spot = self.own.key_place(path) if at_key else self.own.value_place(path)
        self.complaints.append(Complaint(shown(self.file, 200), *spot, what))


def _merges(path: Trail) -> bool:
    """Whether a part of the room and one of the template become one."""
    section = path[0]
    if len(path) == 1:
        return section in _BY_NAME or section in ("defaults", "tolerances")
    return len(path) == 2 and section in ("groups", "positions")


def _settings(path: Trail) -> bool:
    """Whether a part holds settings by name."""
    return path[0] in _BY_SETTING and len(path) == (1 if path[0] == "defaults" else 2)


def _point(data: Data | None) -> list[float] | None:
    if not isinstance(data, list) or len(data) != 3:
        return None
    numbers = [part.value for part in data if isinstance(part, Scalar)]
    sound = [float(n) for n in numbers if isinstance(n, int | float) and not isinstance(n, bool)]
    return sound if len(sound) == 3 else None


def _shifted(data: Data, key: str, origin: list[float] | None) -> Data:
    """A part of the template with every point in it shifted."""
    if origin is None:
        return data
    point = _point(data) if key in _COORDINATES else None
    if point is not None:
        moved = [round(a + b, 6) for a, b in zip(point, origin, strict=True)]
        return [Scalar(f"{number:g}", number) for number in moved]
    if isinstance(data, dict):
        return {name: _shifted(part, name, origin) for name, part in data.items()}
    return data
