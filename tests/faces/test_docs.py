"""Every command and option has a help text with an example, and a place in the README's section "Commands"."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any, get_args

import pytest
import typer.main

from fleet.faces.cli.main import build_cli
from fleet.model.plan import GuardName

README = Path(__file__).parents[2] / "README.md"
EVERYWHERE = {"--help", "--json", "--home", "--version", "--install-completion", "--show-completion"}
"""Options that the section's introduction documents, for all commands at once."""


def commands(command: Any, path: tuple[str, ...] = ()) -> list[tuple[str, Any]]:
    """Each command that does something, with what is typed for it."""
    below = getattr(command, "commands", None)
    if below is None:
        return [(" ".join(("fleet", *path)), command)]
    return [found for name, sub in below.items() for found in commands(sub, (*path, name))]


ROOT = typer.main.get_command(build_cli(lambda _: None))
COMMANDS = commands(ROOT)


def options_of(command: Any) -> set[str]:
    return {name for p in command.params for name in (*p.opts, *p.secondary_opts) if name.startswith("-")}


def section() -> str:
    """The README's section on commands."""
    match = re.search(r"^## Commands\n(.*?)(?=^## )", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert match is not None
    return match[1]


def documented() -> dict[str, tuple[str, set[str]]]:
    """Each command's row: its arguments as typed, and its options."""
    rows = re.findall(r"^\| `(fleet(?: [a-z-]+)+)([^`]*)` \|([^|]*)\|(.*)\|$", section(), re.MULTILINE)
    return {
        name: (arguments.strip(), set(re.findall(r"`(--?[a-z0-9-]+)`", options)))
        for name, arguments, _, options in rows
    }


def test_every_command_has_its_row_and_every_row_its_command() -> None:
    assert sorted(documented()) == sorted(name for name, _ in COMMANDS)


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_every_option_is_documented_and_no_other(name: str, command: Any) -> None:
    arguments, options = documented()[name]
    assert {o for o in options if o.startswith("--")} == {o for o in options_of(command) if len(o) > 2} - EVERYWHERE
    assert options <= options_of(command)
    wanted = [p.required for p in command.params if p.param_type_name == "argument"]
    assert [not a.startswith("[") for a in arguments.split()] == wanted, "optional arguments stand in brackets"


def test_what_holds_for_all_commands_is_told_once() -> None:
    introduction = section().partition("\n|")[0]
    for option in EVERYWHERE | {"FLEET_HOME"}:
        assert f"`{option}`" in introduction or f"`fleet {option}`" in introduction
    lacking = {option: [n for n, c in COMMANDS if option not in options_of(c)] for option in ("--json", "--home")}
    calculators = [name for name, _ in COMMANDS if name.startswith("fleet calc ")]
    assert lacking == {"--json": ["fleet daemon"], "--home": ["fleet demo", *calculators]}


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_every_command_has_help_with_an_example_that_it_accepts(name: str, command: Any) -> None:
    example = re.search(r"^\s*Example: (.*)$", command.help or "", re.MULTILINE)
    assert example is not None
    assert example[1].startswith(name)
    typed = [word.strip('"') for word in re.findall(r'"[^"]*"|\S+', example[1].removeprefix(name))]
    command.make_context(name, typed, resilient_parsing=False)
    for parameter in command.params:
        assert parameter.param_type_name == "argument" or parameter.help, f"{parameter.name} has no help"


def test_the_guard_rails_are_documented() -> None:
    after = section().rpartition("|\n")[2]
    assert set(re.findall(r"`([a-z-]+)`", after)) - {"--also", "--allow"} == set(get_args(GuardName))


def test_a_line_for_people_holds_no_line_break() -> None:
    """What cannot be printed is said as `?`, and a line break is among that."""
    broken = [
        f"{file.name}:{call.lineno}"
        for file in sorted((README.parent / "fleet" / "faces" / "cli").glob("*.py"))
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and ast.unparse(call.func).rpartition(".")[2] in {"say", "tell", "_say"}
        for part in ast.walk(call)
        if isinstance(part, ast.Constant) and isinstance(part.value, str) and "\n" in part.value
    ]
    assert broken == []
