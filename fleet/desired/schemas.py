"""JSON Schemas (draft 2020-12) of the venue file and the room file, for editors."""

from __future__ import annotations

from typing import Any, Final

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from fleet.desired.files import RoomFile, VenueFile
from fleet.desired.parts import Part

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def room_schema() -> dict[str, Any]:
    """The schema of `rooms/*.yaml`."""
    return _schema(RoomFile, "Room file")


def venue_schema() -> dict[str, Any]:
    """The schema of `venue.yaml`."""
    return _schema(VenueFile, "Venue file")


def _schema(kind: type[Part], title: str) -> dict[str, Any]:
    return {
        "$schema": DIALECT,
        **kind.model_json_schema(schema_generator=_WithoutNull),
        "title": title,
    }


class _WithoutNull(GenerateJsonSchema):
    """What is not given is left out of a file; a null is refused, so the schema must not offer it."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default") is None:
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)
