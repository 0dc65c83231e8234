"""What pydantic found wrong, as problems at places in plain sentences: one for each wrong value."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Self, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from fleet.desired.kinds import SAID, WANTS, describe
from fleet.desired.nodes import Document, Problem, Trail
from fleet.desired.parts import UNION_TAGS
from fleet.desired.wording import hint, nearest, quoted, unit_of
from fleet.model.listing import listed
from fleet.model.names import ID_PATTERN, NAME_PATTERN

_KEY: Final = "[key]"
_PATTERNS: Final = {
    NAME_PATTERN: "is no name: lower case letters, digits and hyphens, at most 63, beginning with a letter or digit",
    ID_PATTERN: "is no device id: letters, digits and hyphens, at most 64, beginning with a letter or digit",
}


def faults(error: ValidationError, kind: type[BaseModel]) -> Iterator[tuple[Trail, str, bool]]:
    """Trail, sentence, and whether the place is the key's rather than the value's, for each error."""
    for details in _without_echoes(error.errors(include_url=False), kind):
        fault = _Fault.of(details, kind)
        say = _SENTENCES.get(details["type"])
        sentence = say(fault) if say else f"{fault.subject}: {details['msg']}"
        yield fault.path, sentence, fault.at_key or details["type"] in ("extra_forbidden", "missing")


def _without_echoes(errors: list[ErrorDetails], kind: type[BaseModel]) -> Iterator[ErrorDetails]:
    """The errors, but a key that is missing only because it is misspelt is one error, not two."""
    meant = set()
    for details in errors:
        if details["type"] == "extra_forbidden":
            fault = _Fault.of(details, kind)
            near = nearest(fault.name, _keys_at(kind, fault.path[:-1]))
            meant.add((details["loc"][:-1], near))
    for details in errors:
        name = quoted(str(details["loc"][-1])) if details["loc"] else ""
        if details["type"] != "missing" or (details["loc"][:-1], f"; did you mean {name}?") not in meant:
            yield details


def problem_at(document: Document, path: Trail, sentence: str, at_key: bool) -> Problem:
    """A fault with its place. A missing key is told at the part that lacks it."""
    return Problem(*(document.key_place(path) if at_key else document.value_place(path)), sentence)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """An error of pydantic with what its sentence needs."""

    path: Trail
    at_key: bool
    got: Any
    context: Mapping[str, Any]
    kind: type[BaseModel]

    @classmethod
    def of(cls, details: ErrorDetails, kind: type[BaseModel]) -> Self:
        path = tuple(part for part in details["loc"] if part not in UNION_TAGS)
        at_key = path[-1:] == (_KEY,)
        return cls(
            path=path[:-1] if at_key else path,
            at_key=at_key,
            got=details["input"],
            context=details.get("ctx", {}),
            kind=kind,
        )

    @property
    def name(self) -> str:
        """The key that the value belongs to; empty for the file as a whole."""
        return next((part for part in reversed(self.path) if isinstance(part, str)), "")

    @property
    def subject(self) -> str:
        return quoted(self.name) if self.name else "the file"


def _wants(fault: _Fault) -> str:
    wanted, unit = fault.context["wanted"], unit_of(fault.name)
    of_unit = f" in {unit}" if unit and wanted.endswith("number") and wanted != "a whole number" else ""
    return f"{fault.subject} wants {wanted}{of_unit}, got {fault.context['got']}"


def _said(fault: _Fault) -> str:
    return f"{fault.subject} {fault.context['sentence']}"


def _missing(fault: _Fault) -> str:
    above = [part for part in fault.path[:-1] if isinstance(part, str)]
    return f"{fault.subject} is missing{f' in {quoted(above[-1])}' if above else ''}"


def _unknown_key(fault: _Fault) -> str:
    return f"unknown key {fault.subject}{hint(fault.name, _keys_at(fault.kind, fault.path[:-1]))}"


def _bound(key: str, words: str) -> Callable[[_Fault], str]:
    return lambda fault: f"{fault.subject} must be {words} {fault.context[key]:g}, got {describe(fault.got)}"


def _choice(fault: _Fault) -> str:
    got = str(fault.got)
    choices = sorted({str(value) for value in _literals(fault.kind, fault.path)}, key=lambda word: (len(word), word))
    if choices == ["none"]:
        return f"{fault.subject} wants a filter or the word `none`, got {quoted(got)}"
    near = "" if isinstance(fault.got, int) else nearest(got, choices)
    return f"{fault.subject} must be {listed(choices, 'or')}, got {quoted(got)}{near}"


def _pattern(fault: _Fault) -> str:
    subject = fault.subject if fault.at_key else f"{fault.subject}: {quoted(str(fault.got))}"
    return f"{subject} {_PATTERNS[fault.context['pattern']]}"


def _container(wanted: str) -> Callable[[_Fault], str]:
    return lambda fault: f"{fault.subject} wants {wanted}, got {describe(fault.got)}"


def _entries(fault: _Fault) -> str:
    most, least = fault.context.get("max_length"), fault.context.get("min_length")
    bound = f"at most {most} entries" if most is not None else f"at least {least} entry"
    return f"{fault.subject} wants {bound}, got {fault.context['actual_length']}"


def _text_length(fault: _Fault) -> str:
    return f"{fault.subject} wants 1 to 200 characters of text"


_SENTENCES: Final[Mapping[str, Callable[[_Fault], str]]] = {
    WANTS: _wants,
    SAID: _said,
    "missing": _missing,
    "extra_forbidden": _unknown_key,
    "greater_than": _bound("gt", "greater than"),
    "greater_than_equal": _bound("ge", "at least"),
    "less_than_equal": _bound("le", "at most"),
    "literal_error": _choice,
    "string_pattern_mismatch": _pattern,
    "model_type": _container("a mapping"),
    "dict_type": _container("a mapping"),
    "list_type": _container("a list"),
    "too_long": _entries,
    "too_short": _entries,
    "string_too_long": _text_length,
    "string_too_short": _text_length,
}


def _keys_at(kind: Any, path: Trail) -> set[str]:
    """Keys that the mapping at `path` may have."""
    return {
        name
        for part in _kinds_at(kind, path)
        if isinstance(part, type) and issubclass(part, BaseModel)
        for name in part.model_fields
    }


def _literals(kind: Any, path: Trail) -> set[object]:
    """Words or numbers that the value at `path` may be."""
    return {value for part in _kinds_at(kind, path) for value in get_args(part) if not isinstance(part, type)}


def _kinds_at(kind: Any, path: Trail) -> Iterator[Any]:
    """Every type that the annotations allow at `path`: models and literals."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        if not path:
            yield kind
        elif path[0] in kind.model_fields:
            yield from _kinds_at(kind.model_fields[str(path[0])].annotation, path[1:])
        return
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is Annotated:
        yield from _kinds_at(arguments[0], path)
    elif origin in (dict, list):
        if path:
            yield from _kinds_at(arguments[-1], path[1:])
    elif arguments and any(isinstance(argument, str | int) for argument in arguments):
        if not path:
            yield kind
    else:
        for argument in arguments:
            yield from _kinds_at(argument, path)
