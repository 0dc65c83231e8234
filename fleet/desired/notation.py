"""Plain data as YAML text, the way people write venue files: what fits stands in one line, 6.0 is written 6."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from io import StringIO
from typing import Any, Final, TypeAlias

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString, SingleQuotedScalarString

Plain: TypeAlias = "Mapping[str, Plain] | Sequence[Plain] | str | int | float | bool | None"
"""What a YAML file can say: mappings with text keys, lists, text, numbers, true and false."""

WIDTH: Final = 118
"""Columns that a line of a new mapping or list may fill before it is broken into several."""
INDENT: Final = 2
_ENDLESS: Final = 1_000_000
_SAFE_TEXT: Final = re.compile(r"[^\W_](?:[\w ./-]*[\w./-])?")
"""Text that all readers of YAML read alike without quotes, if it is no number or word of YAML."""
_PLAIN_WORD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
"""Text that needs no quotes, words such as `null` apart, which are shorter than any line."""


def flow(value: Plain) -> str:
    """A value in one line: `{shape: bell, q: 1.4}`, `[mains]`, `-6`. Text is quoted where YAML needs it."""
    return _dumped(_flowing([value]))[1:-2]  # a list around it: a bare scalar would get an end-of-document mark


def block(value: Mapping[str, Plain] | Sequence[Plain], indent: int = 0, spread: Collection[str] = ()) -> str:
    """A mapping or list over several lines, each with its line feed and indented by so many columns.

    Members named in `spread` get lines for their own members, however short they are.
    """
    offset = 0 if isinstance(value, Mapping) else INDENT  # the dashes of a list stand further in than asked for
    lines = _dumped(_broken(value, indent, spread)).rstrip("\n").split("\n")
    return "".join(f"{' ' * indent}{line[offset:]}\n" for line in lines)


def fits(value: Plain, column: int) -> bool:
    """Whether a value that begins at a column (from 0) can stand in one line."""
    return not _collection(value) or column + _length(value) <= WIDTH


def _length(value: Plain) -> int:
    """How many columns `flow` fills."""
    if isinstance(value, Mapping):
        return 2 + sum(_length(key) + 2 + _length(member) + 2 for key, member in value.items()) - 2 * bool(value)
    if isinstance(value, Sequence) and not isinstance(value, str):
        return 2 + sum(_length(item) + 2 for item in value) - 2 * bool(value)
    if isinstance(value, str) and not _PLAIN_WORD.fullmatch(value):
        return len(flow(value))
    return len(str(_scalar(value)))


def _broken(value: Plain, column: int, spread: Collection[str] = ()) -> Any:
    """A collection as a block, whose members are blocks in turn where they do not fit."""
    if isinstance(value, Mapping):
        mapping = CommentedMap()
        for key, member in value.items():
            inline = key not in spread and fits(member, column + _length(key) + 2)
            mapping[_scalar(key)] = _flowing(member) if inline else _broken(member, column + INDENT)
        return mapping
    assert isinstance(value, Sequence)
    inside = column + INDENT
    return CommentedSeq(_flowing(item) if fits(item, inside) else _broken(item, inside) for item in value)


def _flowing(value: Plain) -> Any:
    collection: CommentedMap | CommentedSeq
    if isinstance(value, Mapping):
        collection = CommentedMap((_scalar(key), _flowing(member)) for key, member in value.items())
    elif _collection(value):
        assert isinstance(value, Sequence)
        collection = CommentedSeq(_flowing(item) for item in value)
    else:
        return _scalar(value)
    collection.fa.set_flow_style()
    return collection


def _scalar(value: Plain) -> Any:
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, str) and not value.isprintable():
        return DoubleQuotedScalarString(value)  # line feeds and the like as escapes, never as they are
    if isinstance(value, str) and not _SAFE_TEXT.fullmatch(value):
        return SingleQuotedScalarString(value)
    return value


def _collection(value: Plain) -> bool:
    return isinstance(value, Mapping | Sequence) and not isinstance(value, str)


def _dumped(data: Any) -> str:
    writer = YAML()
    writer.width = _ENDLESS
    writer.indent(mapping=INDENT, sequence=INDENT * 2, offset=INDENT)
    writer.brace_single_entry_mapping_in_flow_sequence = True
    out = StringIO()
    writer.dump(data, out)
    return out.getvalue()
