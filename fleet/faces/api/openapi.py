"""The OpenAPI document of the API, complete: each route with its id, summary, answers, and the problems it may tell."""

from __future__ import annotations

import inspect
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from fleet import errors
from fleet.errors import FleetError
from fleet.faces.api.answers import DOCUMENTS, LIST, name_of, schema_of
from fleet.faces.api.calling import COOKIE
from fleet.faces.api.operations import OPERATIONS, TAGS, Operation
from fleet.faces.api.problems import MEDIA_TYPE, STATUS, TYPES_AT
from fleet.faces.api.rules import RULES

Schema = dict[str, Any]

VERSION: Final = "1"
METHODS: Final = ("get", "post", "put", "patch", "delete")
PROBLEM: Final = {"$ref": "#/components/schemas/problem"}
ALWAYS: Final[dict[int, str]] = {
    401: "Nobody is signed in, or the token opens nothing.",
    403: "This caller may not do that.",
    404: "Nothing goes by this name.",
    409: "Refused as things stand; `guards` names the guard rails.",
    421: "The request came by a name that the daemon does not go by.",
    422: "What was sent is not what is meant here.",
    429: "Too many failures: wait for `Retry-After` seconds.",
    500: "A fault of the daemon; its log has the details.",
    502: "A device refused, or answered nonsense.",
    503: "The devices' broker cannot be reached.",
    504: "A device does not answer.",
}
NO_DOCUMENTS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "events": ("Server-sent events.", ("text/event-stream",)),
    "text": ("Metrics.", ("text/plain",)),
    "file": ("A file.", ("application/octet-stream", "text/csv", "text/html")),
}
WITH_BODY: Final[dict[int, str]] = {400: "The body cannot be read.", 413: "The body is too large."}
DESCRIPTION: Final = (
    "The API of the daemon that keeps a venue's loudspeakers at their desired state. Lists that grow come in pages: "
    "`next` of one is `after` of the following. Documents have an `ETag`. Errors are problem details (RFC 9457), whose "
    "`title` names their type."
)


def describe(app: FastAPI) -> Schema:
    """The document of all routes that the API has now. Raises `RuntimeError` for a route that is not described."""
    document = get_openapi(title="fleet", version=VERSION, description=DESCRIPTION, routes=app.routes)
    unknown = []
    for path, methods in document["paths"].items():
        for method in [m for m in METHODS if m in methods]:
            operation = OPERATIONS.get((method.upper(), path))
            if operation is None:
                unknown.append(f"{method.upper()} {path}")
            else:
                _describe(methods[method], operation, method, path)
    if unknown:
        raise RuntimeError(f"not described: {', '.join(unknown)}; give each a line in fleet/faces/api/operations.py")
    parts = document.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    schemas |= {name_of(one): schema_of(one) for one in DOCUMENTS} | {"problem": _problem()}
    parts["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer"},
        "session": {"type": "apiKey", "in": "cookie", "name": COOKIE},
    }
    parts["responses"] = {
        str(status): _told_as_problem(words) for status, words in sorted((ALWAYS | WITH_BODY | PRECONDITION).items())
    }
    parts["x-problem-types"] = _problem_types()
    document["tags"] = [{"name": name, "description": words} for name, words in TAGS.items()]
    document["security"] = [{"token": []}, {"session": []}]
    return document


PRECONDITION: Final[dict[int, str]] = {412: "What `If-Match` names is not what is in force any more."}


def _describe(told: Schema, operation: Operation, method: str, path: str) -> None:
    told |= {"operationId": operation.id, "summary": operation.summary, "tags": [operation.tag]}
    tagged = method == "get" and NO_DOCUMENTS.keys().isdisjoint(operation.answers)
    responses: Schema = {"200": _answer(operation, tagged=tagged)}
    problems = dict(ALWAYS)
    if method != "get":
        problems |= WITH_BODY
    if operation.id == "load_version":
        problems |= PRECONDITION
        told.setdefault("parameters", []).append(_header("If-Match", "The `ETag` of `GET /v1/files` that was edited."))
    if tagged:
        responses["304"] = {"description": "The reader has this already, by its `If-None-Match`."}
        told.setdefault("parameters", []).append(_header("If-None-Match", "The `ETag` of what the reader has."))
    for status in sorted(problems):
        responses[str(status)] = {"$ref": f"#/components/responses/{status}"}
    told["responses"] = responses
    if not RULES[method.upper(), path].roles:
        told["security"] = []


def _answer(operation: Operation, *, tagged: bool) -> Schema:
    if operation.answers and (other := NO_DOCUMENTS.get(operation.answers[0])) is not None:
        words, kinds = other
        return {"description": words, "content": {kind: {"schema": {"type": "string"}} for kind in kinds}}
    known = [{"$ref": f"#/components/schemas/{name_of(one)}"} for one in operation.answers]
    schema = known[0] if len(known) == 1 else {"anyOf": known} if known else {"type": "object"}
    answer: Schema = {
        "description": " or ".join(operation.answers) or "An OpenAPI document.",
        "content": {"application/json": {"schema": schema}},
    }
    headers: Schema = {}
    if any(LIST in DOCUMENTS[one] for one in operation.answers):
        headers["Link"] = {"description": "The page that follows (RFC 8288).", "schema": {"type": "string"}}
    if tagged:
        headers["ETag"] = {"description": "What `If-None-Match` takes.", "schema": {"type": "string"}}
    return answer | ({"headers": headers} if headers else {})


def _header(name: str, words: str) -> Schema:
    return {"name": name, "in": "header", "required": False, "description": words, "schema": {"type": "string"}}


def _told_as_problem(words: str) -> Schema:
    return {"description": words, "content": {MEDIA_TYPE: {"schema": PROBLEM}}}


def _problem() -> Schema:
    text: Schema = {"type": "string"}
    return {
        "type": "object",
        "title": "A problem (RFC 9457)",
        "properties": {
            "type": {**text, "format": "uri-reference", "description": "Where this type is described."},
            "title": {**text, "enum": [kind.__name__ for kind in _kinds()], "description": "The type's name."},
            "status": {"type": "integer", "minimum": 400, "maximum": 599},
            "detail": {**text, "description": "What is wrong, for a person."},
            "instance": {**text, "format": "uri-reference", "description": "The path that was asked for."},
            "where": {**text, "description": "Where it is wrong: an option, a file with line and column."},
            "remedy": {**text, "description": "What to do."},
            "guards": {"type": "array", "items": text, "description": "Guard rails that refuse."},
            "complaints": {"type": "array", "items": text, "description": "Every mistake, with its place."},
        },
        "required": ["type", "title", "status", "detail", "instance"],
        "additionalProperties": True,
    }


def _problem_types() -> Schema:
    return {
        kind.__name__: {
            "type": f"{TYPES_AT}{kind.__name__}",
            "description": (inspect.getdoc(kind) or "").partition("\n\n")[0].replace("\n", " "),
            "status": next(status for known, status in STATUS if issubclass(kind, known)),
        }
        for kind in _kinds()
    }


def _kinds() -> list[type[FleetError]]:
    found = [one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, FleetError)]
    return sorted(found, key=lambda kind: kind.__name__)
