"""Where a secret may stand: in no argument of a process, and in no file that everybody can read."""

from __future__ import annotations

import stat
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from fleet.errors import BadInput
from fleet.faces.cli.config_file import ConfigFile
from fleet.faces.secrets import is_secret, without_secrets

ARGUMENTS: Final = "every user of this machine can read the arguments of its processes"
OPEN: Final = "it holds a password, and everybody can read this file"
LIBPQ: Final = "leave the password out of the URL and write it into ~/.pgpass (chmod 600), as PostgreSQL's programs do"


def refuse_in_argument(value: object, instead: str, where: str = "") -> None:
    """Raise `BadInput` where the value of an option holds a secret, without that; `instead` says where it may stand."""
    if holds_secret(value):
        raise BadInput(f"it holds a password, and {ARGUMENTS}", where=where, remedy=instead)


def refuse_in_command(command: Sequence[str]) -> None:
    """The same of a program with its arguments, where one of them is a secret by its form or by its option's name."""
    for number, (word, after) in enumerate(zip(command[1:], [*command[2:], ""], strict=False), start=1):
        name, equals, value = word.partition("=")
        option = name.startswith("-") and is_secret(name.lstrip("-").replace("-", "_").lower())
        given = value if equals else after
        if holds_secret(word) or (option and given and not given.startswith("-")):
            what = f"argument {number} of the program is a secret, and {ARGUMENTS}"
            raise BadInput(what, remedy="Let the program read it from a file of its owner.")


def open_secrets(found: ConfigFile) -> Iterator[str]:
    """A complaint about each key of a file that holds a secret, where everybody can read the file."""
    secret = [key for key, value in found.values.items() if holds_secret(value)]
    if secret and everybody_reads(found.path):
        for key in secret:
            yield f"{found.place(key)}: {OPEN}. chmod 600 {found.path}"


def refuse_open_file(file: Path) -> None:
    """Raise `BadInput` where everybody can read a file that is known to hold a secret."""
    if everybody_reads(file):
        raise BadInput(OPEN, where=str(file), remedy=f"chmod 600 {file}")


def holds_secret(value: object) -> bool:
    """Whether there is a secret in a text, or anywhere in lists and tables of texts."""
    if isinstance(value, str):
        return without_secrets(value) != value
    if isinstance(value, Mapping):
        return any(map(holds_secret, value.values()))
    return isinstance(value, list | tuple) and any(map(holds_secret, value))


def everybody_reads(file: Path) -> bool:
    """Whether those who are neither its owner nor of its group get at a file, through all folders above it."""
    at = file.resolve()
    return bool(at.stat().st_mode & stat.S_IROTH) and all(f.stat().st_mode & stat.S_IXOTH for f in at.parents)
