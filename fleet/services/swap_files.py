"""What a swap writes in room files, and how that is taken out again. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from fleet.desired.editing import RoomText
from fleet.desired.load import load
from fleet.desired.meaning import at
from fleet.desired.nodes import Data, document
from fleet.desired.notation import Plain
from fleet.desired.scalars import Scalar
from fleet.services.editing import Files

Writes = Mapping[str, Mapping[str, Any]]
"""Members by `room/position`; `None` takes a member out. `device` and `output` are always among them."""
BINDING = ("device", "output")


def written(files: Files, writes: Writes) -> dict[str, str]:
    """The files with the writes in them. Raises `NotFound` or `BadInput` where a file has to be edited by hand."""
    result = dict(files)
    for path, members in _by_file(files, writes):
        text = RoomText(result[path], path)
        for position, own in members.items():
            text = text.bind(position, own["device"], own["output"])
            if others := {name: value for name, value in own.items() if name not in BINDING}:
                text = text.put(position, others)
        result[path] = text.text
    return result


def restored(files: Files, before: Files, writes: Writes, made: Files) -> dict[str, str]:
    """The files with the writes, which had made `made` of `before`, taken out again; what others wrote since stays."""
    back = originals(before, writes)
    result = dict(files)
    for path, members in _by_file(files, writes):
        if files[path] == made.get(path):
            result[path] = before[path]
        else:
            own = {key: back[key] for key in writes if key.partition("/")[2] in members and key in back}
            result |= {path: written(files, own)[path]}
    return result


def originals(files: Files, writes: Writes) -> dict[str, dict[str, Any]]:
    """What stands in files at the places of writes: the writes that lead back."""
    version = load(files)
    result: dict[str, dict[str, Any]] = {}
    for place, members in writes.items():
        room, _, name = place.partition("/")
        position = version.venue.rooms[room].positions[name]
        data = document(files[version.places.file_of[room]]).data
        result[place] = {"device": position.device, "output": position.output}
        for member in members:
            if member not in BINDING:
                found = at(data, ("positions", name, member)) if data is not None else None
                result[place][member] = None if found is None else _plain(found)
    return result


def _by_file(files: Files, writes: Writes) -> Iterator[tuple[str, dict[str, Mapping[str, Any]]]]:
    file_of = load(files).places.file_of
    found: dict[str, dict[str, Mapping[str, Any]]] = {}
    for place, members in writes.items():
        room, _, position = place.partition("/")
        found.setdefault(file_of[room], {})[position] = members
    yield from found.items()


def _plain(data: Data) -> Plain:
    if isinstance(data, Scalar):
        return data.value
    if isinstance(data, list):
        return [_plain(item) for item in data]
    return {name: _plain(item) for name, item in data.items()}
