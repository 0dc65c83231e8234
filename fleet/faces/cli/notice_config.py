"""The tables `[[notices]]` of `config.toml`: each names a webhook or a command that is told of notices."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import httpx
from pydantic import Field, StrictBool, StringConstraints, ValidationError

from fleet.errors import BadInput
from fleet.faces.cli.config_file import ConfigFile
from fleet.faces.cli.secret_places import refuse_in_command
from fleet.faces.notices.config import ReceiverConfig, check_webhook
from fleet.model.days import Hours
from fleet.model.difference import Grade
from fleet.model.edge import adapter, complaint_of
from fleet.model.names import Name, shown
from fleet.model.notice import NoticeKind
from fleet.model.receiver import ReceiverRules

TABLE: Final = "notices"
WEBHOOK_WITHIN_S: Final = 10.0
COMMAND_WITHIN_S: Final = 30.0

_Text = Annotated[str, StringConstraints(strict=True, min_length=1, max_length=4096)]
_KINDS: Final[Mapping[str, Any]] = {
    "name": Annotated[str, StringConstraints(strict=True, min_length=1, max_length=64, pattern=r"^[^/\x00-\x1f]+$")],
    "webhook": _Text,
    "command": Annotated[list[_Text], Field(min_length=1, max_length=64)],
    "kinds": Annotated[list[NoticeKind], Field(min_length=1)],
    "rooms": Annotated[list[Name], Field(min_length=1)],
    "least": Literal["slight", "audible", "serious"],
    "quiet": _Text,
    "quiet_all": StrictBool,
    "secret_file": _Text,
    "secret_variable": Annotated[str, StringConstraints(strict=True, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")],
    "timeout_s": Annotated[float, Field(gt=0, le=300)],
}
"""The keys of a table, and what each may hold."""

_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)\s*-\s*([01]\d|2[0-3]):([0-5]\d)")


def receivers_in(found: ConfigFile) -> tuple[tuple[ReceiverConfig, ...], list[str]]:
    """The receivers of a file, and what is wrong with them, each with its place."""
    tables = found.values.get(TABLE, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        return (), [f"{found.place(TABLE)}: write each receiver as a table of its own, under [[{TABLE}]]"]
    receivers: list[ReceiverConfig] = []
    complaints: list[str] = []
    for number, table in enumerate(tables):

        def place(key: str, number: int = number) -> str:
            return found.place_in(TABLE, number, key)

        wrong = list(_wrong(table, place))
        if not wrong:
            receiver = _receiver(table, found.path.parent)
            if receiver.rules.name in {r.rules.name for r in receivers}:
                wrong = [f"{place('name')}: another one is called {receiver.rules.name!r}; give this one a `name`"]
            receivers.append(receiver)
        complaints += wrong
    return tuple(receivers), complaints


def _wrong(table: Mapping[str, object], place: Callable[[str], str]) -> Iterator[str]:
    for key, value in table.items():
        if key not in _KINDS:
            near = difflib.get_close_matches(key, _KINDS, n=1)
            what = f"did you mean {near[0]}?" if near else f"there are {', '.join(_KINDS)}"
            yield f"{place(key)}: there is nothing called {shown(key)!r} for notices; {what}"
            continue
        try:
            adapter(_KINDS[key]).validate_python(value)
            if check := _CHECKS.get(key):
                check(value)
        except ValidationError as error:
            words = complaint_of(error)
            yield f"{place(key)}: {key}: {words[:1].lower()}{words[1:]}"
        except BadInput as error:
            yield f"{place(key)}: {error}"
    if ("webhook" in table) == ("command" in table) and table.keys() <= _KINDS.keys():
        yield f"{place('')}: a receiver has one of `webhook` and `command`"
    if "secret_file" in table and "secret_variable" in table:
        yield f"{place('secret_variable')}: there is one secret: `secret_file` or `secret_variable`"
    if "command" in table and (secrets := {"secret_file", "secret_variable"} & set(table)):
        yield f"{place(min(secrets))}: a secret signs what a webhook is sent; a command needs none"
    if "quiet_all" in table and "quiet" not in table:
        yield f"{place('quiet_all')}: `quiet_all` is of use with `quiet` only"


def _receiver(table: Mapping[str, Any], folder: Path) -> ReceiverConfig:
    webhook, command = table.get("webhook", ""), tuple(table.get("command", ()))
    default = f"command {Path(command[0]).name}" if command else f"webhook {httpx.URL(webhook).host}"
    return ReceiverConfig(
        rules=ReceiverRules(
            name=table.get("name", shown(default)),
            kinds=frozenset(table.get("kinds", ())),
            rooms=frozenset(table.get("rooms", ())),
            least=Grade[table.get("least", "slight").upper()],
            quiet=_hours(table["quiet"]) if "quiet" in table else None,
            quiet_all=table.get("quiet_all", False),
        ),
        webhook=webhook,
        command=(_program(command[0], folder), *command[1:]) if command else (),
        secret_file=folder / Path(table["secret_file"]).expanduser() if "secret_file" in table else None,
        secret_variable=table.get("secret_variable", ""),
        timeout_s=table.get("timeout_s", COMMAND_WITHIN_S if command else WEBHOOK_WITHIN_S),
    )


def _program(word: str, folder: Path) -> str:
    """A path counts from the file's folder; a name alone is looked for in PATH when it is run."""
    return str(folder.absolute() / Path(word).expanduser()) if "/" in word else word


def _hours(text: str) -> Hours:
    written = _HOURS.fullmatch(text.strip())
    if written is None:
        raise BadInput(f"{shown(text)!r} is no time from and to: write it as 23:00-07:00")
    hour, minute, until_hour, until_minute = map(int, written.groups())
    hours = Hours(start=time(hour, minute), until=time(until_hour, until_minute))
    if hours.start == hours.until:
        raise BadInput(f"{shown(text)!r} begins when it ends")
    return hours


_CHECKS: Final[Mapping[str, Callable[[Any], object]]] = {
    "webhook": check_webhook,
    "command": refuse_in_command,
    "quiet": _hours,
}
