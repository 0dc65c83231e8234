"""JSON Schemas (draft 2020-12) of the venue file and the room file, for editors."""

from __future__ import annotations

from typing import Any, Final

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from fleet.desired.files import RoomFile, VenueFile
from fleet.desired.parts import Part

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

BOUNDS: Final = {"gt": "exclusiveMinimum", "ge": "minimum", "lt": "exclusiveMaximum", "le": "maximum"}


def room_schema() -> dict[str, Any]:
    """The schema of `rooms/*.yaml`. On a template, positions have their devices elsewhere."""
    schema = _schema(RoomFile, "Room file")
    schema["$defs"]["PositionPart"].pop("required")
    bound = {"properties": {"positions": {"additionalProperties": {"required": ["device"]}}}}
    return {**schema, "if": {"not": {"required": ["template"]}}, "then": bound}


def venue_schema() -> dict[str, Any]:
    """The schema of `venue.yaml`."""
    return _schema(VenueFile, "Venue file")


def _schema(kind: type[Part], title: str) -> dict[str, Any]:
    return {
        "$schema": DIALECT,
        **_with_standard_bounds(kind.model_json_schema(schema_generator=_WithoutNull)),
        "title": title,
    }


def _with_standard_bounds(schema: Any) -> Any:
    """Bounds by JSON Schema's own words: behind a validator of ours pydantic leaves its own, which editors ignore."""
    if isinstance(schema, list):
        return [_with_standard_bounds(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        (BOUNDS.get(key, key) if isinstance(value, int | float) else key): _with_standard_bounds(value)
        for key, value in schema.items()
    }


class _WithoutNull(GenerateJsonSchema):
    """What is not given is left out of a file; a null is refused, so the schema must not offer it."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default") is None:
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)
