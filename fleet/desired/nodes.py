"""YAML text into plain data that remembers where each part was written. Any text gives data or problems, no traceback.

Kept small on purpose: one document, text keys, aliases but no merge keys, core tags only, bounded in size and depth.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final, TypeAlias

import yaml

from fleet.desired.scalars import Scalar, core_value, plain_scalar
from fleet.model.names import shown

MAX_CHARACTERS: Final = 1_000_000
MAX_NODES: Final = 200_000
"""Counted with aliases expanded, so that a few lines of nested aliases cannot fill the memory."""
MAX_DEPTH: Final = 24

Trail: TypeAlias = tuple[str | int, ...]
"""Keys and list numbers from the top of a file down to one of its parts."""
Spot: TypeAlias = tuple[int, int]
"""Line and column, counted from 1."""
Data: TypeAlias = "dict[str, Data] | list[Data] | Scalar"

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_PLAIN: Final = "plain"
_CORE: Final = "tag:yaml.org,2002:"
_TAGS: Final = {yaml.ScalarNode: f"{_CORE}str", yaml.MappingNode: f"{_CORE}map", yaml.SequenceNode: f"{_CORE}seq"}
_TAG_TYPES: Final[dict[str, tuple[type, ...]]] = {
    f"{_CORE}int": (int,),
    f"{_CORE}float": (int, float),
    f"{_CORE}bool": (bool,),
    f"{_CORE}null": (type(None),),
}
_UNPRINTABLE: Final = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong at a line and column of a file that the caller knows."""

    line: int
    column: int
    text: str


@dataclass(frozen=True, slots=True)
class Document:
    """A file as data, its nodes, and what is wrong with it as YAML."""

    data: Data | None
    root: yaml.Node | None
    problems: tuple[Problem, ...]

    def key_place(self, path: Trail) -> Spot:
        """Where the key (or list item) at `path` begins; the nearest part above it where there is none."""
        return self._walk(path)[1]

    def value_place(self, path: Trail) -> Spot:
        """Where the value at `path` begins; the nearest part above it where there is none."""
        return self._walk(path)[2]

    def has(self, path: Trail) -> bool:
        """True where something is written at `path`."""
        return self._walk(path)[0] == len(path)

    def _walk(self, path: Trail) -> tuple[int, Spot, Spot]:
        node, key, value, steps = self.root, (1, 1), (1, 1), 0
        if node is not None:
            key = value = _spot(node)
        for part in path:
            step = _step(node, part)
            if step is None:
                break
            key, node = _spot(step[0]), step[1]
            value = _spot(node)
            steps += 1
        return steps, key, value


@lru_cache(maxsize=16)
def document(text: str) -> Document:
    """The data of a YAML text with the places of its parts and every problem of its form."""
    problem = _unreadable(text)
    if problem is not None:
        return Document(None, None, (problem,))
    try:
        root = _Loader(text).get_single_node()
    except yaml.MarkedYAMLError as error:
        return Document(None, None, (_syntax(error, text),))
    except (yaml.YAMLError, UnicodeError, RecursionError):
        return Document(None, None, (Problem(1, 1, "this is not YAML text that can be read"),))
    if root is None:
        return Document(None, None, (Problem(1, 1, "the file is empty"),))
    reader = _Reader()
    try:
        data = reader.data(root, 0)
    except _TooMuchError as error:
        return Document(None, root, (*reader.problems, error.problem))
    return Document(data, root, tuple(reader.problems))


class _Loader(_Base):  # type: ignore[misc]  # whichever of the two parsers this installation has
    """Composes nodes only; unquoted scalars are marked for our own resolver."""

    def resolve(self, kind: type[yaml.Node], _value: str | None, implicit: Any) -> str:
        if kind is yaml.ScalarNode and implicit[0]:
            return _PLAIN
        return _TAGS[kind]


class _TooMuchError(Exception):
    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.text)
        self.problem = problem


@dataclass(slots=True)
class _Reader:
    problems: list[Problem] = field(default_factory=list)
    count: int = 0

    def data(self, node: yaml.Node, depth: int) -> Data:
        self.count += 1
        if depth > MAX_DEPTH:
            raise _TooMuchError(_problem(node, f"nested more than {MAX_DEPTH} deep, or an alias within its own anchor"))
        if self.count > MAX_NODES:
            raise _TooMuchError(
                _problem(node, f"more than {MAX_NODES} values, aliases counted each time they are used")
            )
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node)
        if node.tag != _TAGS[type(node)]:
            self._refuse_tag(node)
        if isinstance(node, yaml.MappingNode):
            return {key: self.data(value, depth + 1) for key, value in self._members(node)}
        return [self.data(item, depth + 1) for item in node.value]

    def _members(self, node: yaml.MappingNode) -> Iterator[tuple[str, yaml.Node]]:
        lines: dict[str, int] = {}
        for key, value in node.value:
            if not isinstance(key, yaml.ScalarNode):
                self.problems.append(_problem(key, "a key must be plain text"))
                continue
            name = _text(key)
            if key.tag == _PLAIN and name == "<<":
                self.problems.append(_problem(key, "merge keys (`<<`) are not read here; use a group or `defaults`"))
            elif name in lines:
                self.problems.append(
                    _problem(key, f"`{shown(name)}` is written twice; the first is on line {lines[name]}")
                )
            else:
                lines[name] = _spot(key)[0]
                yield name, value

    def _scalar(self, node: yaml.ScalarNode) -> Scalar:
        text = _text(node)
        if node.tag == _PLAIN:
            return plain_scalar(text)
        if node.tag in _TAG_TYPES:
            value = core_value(text)
            if isinstance(value, _TAG_TYPES[node.tag]):
                return Scalar(text, value)
            self.problems.append(_problem(node, f"`{shown(text)}` is not what its tag says"))
        elif node.tag != _TAGS[yaml.ScalarNode]:
            self._refuse_tag(node)
        return Scalar(text, text)

    def _refuse_tag(self, node: yaml.Node) -> None:
        self.problems.append(_problem(node, f"the tag `{shown(node.tag)}` is not read here; leave it out"))


def _step(node: yaml.Node | None, part: str | int) -> tuple[yaml.Node, yaml.Node] | None:
    """Key node and value node one step down; an item of a list is its own key."""
    if isinstance(node, yaml.MappingNode):
        return next(
            ((key, value) for key, value in node.value if isinstance(key, yaml.ScalarNode) and _text(key) == part),
            None,
        )
    if isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
        return node.value[part], node.value[part]
    return None


def _text(node: yaml.ScalarNode) -> str:
    text: str = node.value
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _spot(node: yaml.Node) -> Spot:
    return node.start_mark.line + 1, node.start_mark.column + 1


def _problem(node: yaml.Node, text: str) -> Problem:
    return Problem(*_spot(node), text)


def _unreadable(text: str) -> Problem | None:
    """What makes a text unfit for the parser: its size, or characters that YAML does not have."""
    if len(text) > MAX_CHARACTERS:
        return Problem(1, 1, f"the file is larger than {MAX_CHARACTERS} characters; split the room")
    found = _UNPRINTABLE.search(text)
    if found is None:
        return None
    before = text[: found.start()]
    line, column = before.count("\n") + 1, found.start() - (before.rfind("\n") + 1) + 1
    code = ord(found.group())
    if 0xD800 <= code <= 0xDFFF:
        return Problem(line, column, "this is not UTF-8 text; save the file as UTF-8")
    return Problem(line, column, f"control character U+{code:04X}; is this a text file?")


def _syntax(error: yaml.MarkedYAMLError, text: str) -> Problem:
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    what = error.problem or "cannot be read"
    if "tab character" in what or (mark and text[mark.index : mark.index + 1] == "\t"):
        return Problem(line, column, "a tab where YAML wants spaces; indent with spaces")
    if "another document" in what or "single document" in (error.context or ""):
        return Problem(line, column, "a second document begins here; one file holds one room or venue")
    context = f"{error.context}, " if error.context else ""
    return Problem(line, column, f"not valid YAML: {shown(context + what, 160)}")
