"""Edits of a room file that keep everything else as it was: comments, order, spaces, quotes.

    RoomText(text, "rooms/weir-hall.yaml").bind("main-left", "box-7").put("fill", {"level_db": -9}).text

Each edit gives a new `RoomText`. What an edit makes is read again by our own reader, and must mean what was asked for
and the same as before everywhere else; otherwise `BadInput` says where the file has to be edited by hand. Whether the
whole venue still makes sense is for `fleet.desired.load`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

from fleet.desired.files import ROOM_KEYS
from fleet.desired.meaning import Expected, agrees, at, changed, means
from fleet.desired.nodes import Data, Trail, document
from fleet.desired.notation import Plain
from fleet.desired.spans import Unsuited
from fleet.desired.splicing import with_member, with_members, without_member
from fleet.desired.wording import hint, quoted
from fleet.errors import BadFiles, BadInput, Complaint, NotFound

Members: TypeAlias = Mapping[str, Plain]
"""Members of a part of the file by name; `None` takes a member out."""

BY_HAND: Final = "Edit this place by hand"
_BYTE_ORDER_MARK: Final = "\ufeff"


@dataclass(frozen=True, slots=True)
class RoomText:
    """The text of a room file. `file` is its path, for complaints."""

    text: str
    file: str = "room file"

    def positions(self) -> tuple[str, ...]:
        """Names of the positions that are written, in their order, those that only `devices` names last."""
        return tuple(dict.fromkeys((*self._names("positions"), *self._names("devices"))))

    def bind(self, position: str, device: str, output: int = 1) -> RoomText:
        """Let a position be served by an output of a device. Raises `NotFound` for an unknown position.

        In a room on a template that is written in `devices`, with the output, since the template may name another.
        """
        if position in self._names("devices"):
            return self.set(("devices", position), {"device": device, "output": output})
        members: dict[str, Plain] = {"device": device}
        if output != 1 or "output" in self._names("positions", position):
            members["output"] = output
        return self.put(position, members)

    def put(self, position: str, members: Members) -> RoomText:
        """Set members of a position; those not named stay. Raises `NotFound` for an unknown position."""
        return self.put_each({position: members})

    def put_each(self, positions: Mapping[str, Members]) -> RoomText:
        """Set members of many positions at once, which is quick in long files. Raises `NotFound`."""
        for position in positions:
            self._check_known(position)
        return self._put({("positions", position): members for position, members in positions.items()})

    def add(self, position: str, members: Members) -> RoomText:
        """Write a new position after the others. Raises `BadInput` where there is one of this name."""
        if position in self.positions():
            raise BadInput(f"there is a position {quoted(position)} already", where=self.file)
        return self.set(("positions", position), members)

    def drop(self, position: str) -> RoomText:
        """Take a position out; a comment above it stays. Raises `NotFound`."""
        self._check_known(position)
        return self.remove(("devices", position)).remove(("positions", position))

    def put_house_curve(self, members: Members) -> RoomText:
        """Set members of the house curve: `curve`, `slot`, `slots`."""
        return self._put({("house_curve",): members})

    def set(self, path: Trail, value: Plain) -> RoomText:
        """Set what is written at a path of mappings, such as `("groups", "mains", "level_db")`.

        A value that means the same already is left as it is written. Mappings on the way are made where they are
        missing. Raises `BadInput`.
        """
        data = self._data()
        written = at(data, path)
        if written is not None and means(written, value):
            return self
        return self._checked(lambda text: with_member(text, path, value, ROOM_KEYS), changed(data, path, value))

    def remove(self, path: Trail) -> RoomText:
        """Take out what is written at a path, if anything is. Raises `BadInput`."""
        if not document(self._bare).has(path):
            return self
        return self._checked(lambda text: without_member(text, path), changed(self._data(), path, None))

    def _put(self, entries: Mapping[Trail, Members]) -> RoomText:
        """Set what is not so already."""
        data = self._data()
        expected: Expected = data
        edits: dict[Trail, dict[str, Plain]] = {}
        for path, members in entries.items():
            for name, value in members.items():
                written = at(data, (*path, name))
                if written is None if value is None else written is not None and means(written, value):
                    continue
                edits.setdefault(path, {})[name] = value
                expected = changed(expected, (*path, name), value)
        return self._checked(lambda text: with_members(text, edits, ROOM_KEYS), expected) if edits else self

    def _checked(self, edit: Callable[[str], str], expected: Expected) -> RoomText:
        bare = self._bare
        try:
            edited = edit(bare)
        except Unsuited as error:
            raise self._by_hand(error.what, error.at) from None
        after = document(edited)
        if after.problems or not agrees(after.data, expected):
            raise self._by_hand("this file is written in a way that cannot be edited in place", 0)
        return replace(self, text=self.text[: len(self.text) - len(bare)] + edited)

    def _data(self) -> Data:
        doc = document(self._bare)
        if doc.data is None or doc.problems:
            raise BadFiles(tuple(Complaint(self.file, p.line, p.column, p.text) for p in doc.problems))
        return doc.data

    def _names(self, *path: str) -> tuple[str, ...]:
        part: Data | None = self._data()
        for name in path:
            part = part.get(name) if isinstance(part, dict) else None
        return tuple(part) if isinstance(part, dict) else ()

    def _check_known(self, position: str) -> None:
        if position not in (names := self.positions()):
            raise NotFound(f"unknown position {quoted(position)}{hint(position, names)}", where=self.file)

    def _by_hand(self, what: str, at: int) -> BadInput:
        before = self._bare[:at]
        line, column = before.count("\n") + 1, at - before.rfind("\n")
        return BadInput(what, where=f"{self.file}:{line}:{column}", remedy=BY_HAND)

    @property
    def _bare(self) -> str:
        """The text without the byte order mark that some editors write: marks do not count it."""
        return self.text.removeprefix(_BYTE_ORDER_MARK)
