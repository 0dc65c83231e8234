"""Where each setting of a position was written: the line a person has to change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fleet.desired.nodes import Trail, document
from fleet.desired.scalars import Scalar
from fleet.desired.templates import on_template, stands_on
from fleet.desired.written import Place, Written, alone


@dataclass(frozen=True, slots=True)
class Places:
    """Answers from the files' texts, read again when asked: places are wanted for few settings, and weigh much."""

    files: Mapping[str, str]
    file_of: Mapping[str, str]
    """Trail of the file by room."""
    venue_file: str

    def place(self, room: str, position: str = "", setting: str = "", mode: str = "") -> Place:
        """Where a setting of a position got its value; else where the position is named; else the room's first line.

        A setting is named as in the file (`level_db`, `slot`, `tolerances.level_db`). In a mode it is where the mode
        gives the setting, or else where the mode is named.
        """
        file = self.file_of.get(room)
        if file is None:
            return self.venue_file, 1, 1
        room_text = written(self.files, file, self.venue_file)
        if mode:
            givers = _givers_in(room_text, ("modes", mode), position, setting)
            return room_text.key_place(next(filter(room_text.has, givers), ("modes", mode)))
        if setting:
            for path in _givers(room_text, position, setting):
                if room_text.has(path):
                    return room_text.key_place(path)
            venue = document(self.files[self.venue_file])
            path = tuple(setting.split("."))
            if path[0] == "tolerances" and venue.has(path):
                return self.venue_file, *venue.key_place(path)
        return room_text.key_place(("positions", position) if position else ("room",))


def written(files: Mapping[str, str], file: str, venue_file: str) -> Written:
    """A room's file with the template that it stands on, if any."""
    text = files[file]
    if stands_on(text):
        return on_template(file, text, venue_file, files.get(venue_file, "")).written
    return alone(file, document(text))


def _givers(doc: Written, position: str, setting: str) -> Iterator[Trail]:
    """Paths that may give a setting, the most specific first."""
    yield from _givers_in(doc, (), position, setting)
    if setting == "slot":
        yield from (("house_curve", "slot"), ("house_curve", "slots"))
    if setting in ("eq", "slot"):
        yield ("house_curve",)


def _givers_in(doc: Written, above: Trail, position: str, setting: str) -> Iterator[Trail]:
    """The same below a part of the room that has layers."""
    settings = (
        [("delay_ms",), ("time_align",)] if setting in ("delay_ms", "time_align") else [tuple(setting.split("."))]
    )
    layers: list[Trail] = [
        ("positions", position),
        *(("groups", name) for name in _groups(doc, position)),
        ("defaults",),
        (),
    ]
    for layer in layers:
        yield from ((*above, *layer, *path) for path in settings)
    if above and setting == "slot":
        yield (*above, "slots")
    if above and setting == "eq":
        yield (*above, "house_curve")


def _groups(doc: Written, position: str) -> list[str]:
    part = doc.data
    for step in ("positions", position, "groups"):
        part = part.get(step) if isinstance(part, dict) else None
    return [item.text for item in part if isinstance(item, Scalar)] if isinstance(part, list) else []
