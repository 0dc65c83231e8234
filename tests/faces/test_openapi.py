"""The OpenAPI document is complete: every route, what it takes, what it answers, and every problem it may tell."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis

from fleet.faces.api.openapi import METHODS, describe
from fleet.faces.api.operations import OPERATIONS
from fleet.faces.api.rules import RULES
from fleet.faces.api.undeployed import undeployed_api

Json = dict[str, Any]
PROBLEMS = {"401", "403", "404", "409", "422", "429", "500", "502", "503", "504"}


@pytest.fixture(scope="module")
def document() -> Json:
    return describe(undeployed_api())


def operations(document: Json) -> Iterator[tuple[str, str, Json]]:
    for path, methods in document["paths"].items():
        yield from ((method.upper(), path, methods[method]) for method in METHODS if method in methods)


def within(schema: Any, parts: Json) -> Iterator[tuple[Json, str]]:
    """Every schema within one, and where it stands; references followed."""
    ahead, seen = [(schema, "")], set[str]()
    while ahead:
        one, where = ahead.pop()
        if "$ref" in one:
            name = one["$ref"].rsplit("/", 1)[1]
            if name not in seen:
                seen.add(name)
                ahead.append((parts[name], name))
            continue
        yield one, where
        ahead += [(below, f"{where}.{name}") for name, below in one.get("properties", {}).items()]
        ahead += [(below, where) for name in ("anyOf", "allOf", "oneOf", "prefixItems") for below in one.get(name, ())]
        for name in ("items", "additionalProperties"):
            if isinstance(one.get(name), dict):
                ahead.append((one[name], f"{where}[]"))


def test_it_is_an_openapi_document(document: Json) -> None:
    schemathesis.openapi.from_dict(document).validate()
    assert document["openapi"].startswith("3.1")


def test_every_route_has_a_rule_an_id_a_summary_and_a_tag(document: Json) -> None:
    found = list(operations(document))
    known = {(method, path) for method, path, _ in found}
    assert known == set(OPERATIONS)
    assert known == set(RULES), "nothing is described that cannot be called, and nothing can be called undescribed"
    ids = [told["operationId"] for _, _, told in found]
    assert len(set(ids)) == len(ids)
    tags = {tag["name"] for tag in document["tags"]}
    assert {tag for _, _, told in found for tag in told["tags"]} == tags
    assert all(told["summary"] and not told["summary"].endswith(".") for _, _, told in found)


def test_every_answer_names_its_document_and_every_problem_is_declared(document: Json) -> None:
    parts = document["components"]
    for method, path, told in operations(document):
        assert set(told["responses"]) >= PROBLEMS, (method, path)
        content = told["responses"]["200"]["content"]
        if (schema := content.get("application/json", {}).get("schema")) and path != "/v1/openapi.json":
            for one in schema.get("anyOf", [schema]):
                named = parts["schemas"][one["$ref"].rsplit("/", 1)[1]]
                assert "format" in named["required"], (method, path)
                assert named["properties"]["format"]["const"].startswith("fleet-")
    for status, response in parts["responses"].items():
        assert set(response["content"]) == {"application/problem+json"}, status
    problem = parts["schemas"]["problem"]
    assert set(problem["required"]) == {"type", "title", "status", "detail", "instance"}
    assert set(problem["properties"]["title"]["enum"]) == set(parts["x-problem-types"])


def test_signing_in_alone_needs_no_sign_in(document: Json) -> None:
    open_ones = [(method, path) for method, path, told in operations(document) if told.get("security") == []]
    assert open_ones == [("POST", "/v1/session")]
    assert document["security"] == [{"token": []}, {"session": []}]


def test_everything_in_a_body_is_bounded(document: Json) -> None:
    parts = document["components"]["schemas"]
    unbounded = []
    for method, path, told in operations(document):
        body = told.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
        for schema, where in within(body, parts) if body else ():
            kind = schema.get("type")
            if kind == "string" and not {"maxLength", "enum", "const", "format"} & set(schema):
                unbounded.append((method, path, where))
            if kind == "array" and not {"maxItems", "uniqueItems"} & set(schema):
                unbounded.append((method, path, where))
            if isinstance(schema.get("additionalProperties"), dict) and "maxProperties" not in schema:
                unbounded.append((method, path, where))
    texts = {where for _, _, where in unbounded}
    assert {where.rsplit(".", 1)[-1] for where in texts} <= {"files[]", "beside[]"}, unbounded


def test_a_route_that_is_not_described_is_a_fault() -> None:
    api = undeployed_api()

    @api.get("/v1/secret")
    async def secret() -> Json:
        return {}

    with pytest.raises(RuntimeError, match="GET /v1/secret"):
        describe(api)
