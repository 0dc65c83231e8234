"""The published JSON Schemas, generated from the models: `python -m fleet.faces.schemas FOLDER [--check]`.

Without `--check` the files are written; with it, the exit code says whether they are stale.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from fleet.desired.schemas import room_schema, venue_schema
from fleet.drivers.mqtt.wire import wire_schema
from fleet.faces.api.openapi import describe
from fleet.faces.api.undeployed import undeployed_api
from fleet.faces.snapshot_documents import ExportedSnapshot
from fleet.model.edge import adapter
from fleet.model.sealing import FORMAT

Schema = dict[str, Any]


def schemas() -> dict[str, Schema]:
    """The schemas by file name."""
    return {
        "venue.schema.json": venue_schema(),
        "room.schema.json": room_schema(),
        "wire.schema.json": wire_schema(),
        "snapshot.schema.json": snapshot_schema(),
    }


def published() -> dict[str, Schema]:
    """Everything that is published by file name: the schemas, and the OpenAPI document of the daemon's API."""
    return {**schemas(), "openapi.json": describe(undeployed_api())}


def snapshot_schema() -> Schema:
    """The document of an exported snapshot."""
    schema = adapter(ExportedSnapshot).json_schema(mode="serialization")
    schema["properties"]["format"] = {"const": FORMAT}
    schema["required"] = sorted({"format", *schema["required"]})
    schema["title"] = "A sealed snapshot"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def text_of(schema: Schema) -> str:
    """A schema as its file holds it."""
    return json.dumps(schema, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def stale(folder: Path) -> list[str]:
    """Names of the schema files that are missing or not as generated."""
    return [name for name, schema in published().items() if _read(folder / name) != text_of(schema)]


def main(folder: Path, *, check: bool) -> int:
    """Write the files, or say which are stale; 1 where one is."""
    if not check:
        for name, schema in published().items():
            (folder / name).write_text(text_of(schema), encoding="utf-8")
        return 0
    names = stale(folder)
    for name in names:
        sys.stderr.write(f"{folder / name} is stale: run `python -m fleet.faces.schemas {folder}`\n")
    return 1 if names else 0


def _read(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), check="--check" in sys.argv[2:]))
