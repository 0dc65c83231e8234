"""The edge: plain JSON-like data into validated frozen values, and back.

Everything from a file, a wire or a request passes through `parse` once; inside, values are trusted.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from fleet.errors import BadInput

T = TypeVar("T")

_adapters: dict[Any, TypeAdapter[Any]] = {}


def adapter(kind: Any) -> TypeAdapter[Any]:
    """The validator of a model class, built once."""
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def parse(kind: type[T], data: object) -> T:
    """Validate plain data as `kind`. Raises `BadInput` that says what is wrong at which member."""
    try:
        value: T = adapter(kind).validate_python(data)
    except ValidationError as error:
        raise BadInput(complaint_of(error)) from None
    return value


def parse_json(kind: type[T], text: str | bytes) -> T:
    """Validate JSON text as `kind`. Raises `BadInput`."""
    try:
        value: T = adapter(kind).validate_json(text)
    except ValidationError as error:
        raise BadInput(complaint_of(error)) from None
    return value


def plain(value: object) -> Any:
    """A frozen value as JSON-like data (dicts, lists, numbers, text)."""
    return adapter(type(value)).dump_python(value, mode="json")


def canonical_json(data: object) -> bytes:
    """JSON with sorted members and no spaces, UTF-8: one text for one value."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def digest(data: object) -> str:
    """SHA-256 of the canonical JSON of plain data, as hex."""
    return hashlib.sha256(canonical_json(data)).hexdigest()


def complaint_of(error: ValidationError) -> str:
    """The first complaint of pydantic in one line: where in the data, and what is wrong."""
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    return f"{where}: {first['msg']}" if where else str(first["msg"])
