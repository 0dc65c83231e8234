"""The daemon's `config.toml`: read with the line of each key, so that a complaint says where."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import BadInput

NAME = "config.toml"
FORMAT = 1
LARGEST_BYTES = 1_000_000

_KEY = re.compile(r"""^\s*\[?\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*[=.\]]""")
_TABLE = re.compile(r"""^\s*\[\[\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*\]\]""")
_PLACE = re.compile(r"^(.*) \(at line (\d+), column (\d+)\)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigFile:
    """The keys of a file with their values as TOML has them, and the line of each.

    `tables` has, for each key that stands in double brackets, the lines of the keys of its tables, in order; the empty
    key is that of the brackets themselves.
    """

    path: Path
    values: Mapping[str, object]
    lines: Mapping[str, int]
    tables: Mapping[str, Sequence[Mapping[str, int]]]

    def place(self, key: str) -> str:
        """`file:line` of a key, for people."""
        return f"{self.path}:{self.lines[key]}" if key in self.lines else str(self.path)

    def place_in(self, name: str, number: int, key: str = "") -> str:
        """The same of a key in a table in double brackets, the first being 0; of the table where the key is not."""
        tables = self.tables.get(name, ())
        lines = tables[number] if number < len(tables) else {}
        line = lines.get(key, lines.get("", self.lines.get(name)))
        return str(self.path) if line is None else f"{self.path}:{line}"


def read_config_file(path: Path) -> ConfigFile:
    """Read a file. Raises `BadInput` with file:line where it cannot be read or is no TOML."""
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_BYTES + 1).decode("utf-8")
    except OSError as error:
        raise BadInput(f"the configuration cannot be read: {error.strerror}", where=str(path)) from None
    except UnicodeDecodeError:
        raise BadInput("the configuration is not UTF-8", where=str(path)) from None
    if len(text) > LARGEST_BYTES:
        raise BadInput("the configuration is larger than a configuration can be", where=str(path))
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _no_toml(path, text, str(error)) from None
    lines, tables = _lines(text)
    found = ConfigFile(path=path, values=values, lines=lines, tables=tables)
    if (number := values.get("format", FORMAT)) != FORMAT:
        raise BadInput(f"format {number!r} is not known here; this release reads {FORMAT}", where=found.place("format"))
    return found


def _no_toml(path: Path, text: str, said: str) -> BadInput:
    placed = _PLACE.match(said)
    if placed is None:
        return BadInput(said[:1].lower() + said[1:], where=f"{path}:{max(1, len(text.splitlines()))}")
    what, line, column = placed.groups()
    return BadInput(f"this is no TOML: {what[:1].lower()}{what[1:]}", where=f"{path}:{line}:{column}")


def _lines(text: str) -> tuple[dict[str, int], dict[str, list[dict[str, int]]]]:
    """The first line at which each key of the top level stands, and those of the keys in tables."""
    lines: dict[str, int] = {}
    tables: dict[str, list[dict[str, int]]] = {}
    within = lines
    for number, line in enumerate(text.splitlines(), start=1):
        if table := _TABLE.match(line):
            lines.setdefault(name := _name(table), number)
            within = {"": number}
            tables.setdefault(name, []).append(within)
        elif key := _KEY.match(line):
            within.setdefault(_name(key), number)
    return lines, tables


def _name(key: re.Match[str]) -> str:
    return next(part for part in key.groups() if part is not None)
