"""The published schemas: as generated, valid (JSON Schema 2020-12), and true of the demo venue and of exports."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]  # it comes without types
import pytest
import yaml

from fleet.faces import schemas
from tests.faces.daemon_in_process import CommandLine, RunningDaemon

ROOT = Path(__file__).parents[2]
VENUE = ROOT / "simulators/venue"


def schema(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((ROOT / "schemas" / name).read_text(encoding="utf-8"))
    return loaded


def validator(name: str) -> Any:
    return jsonschema.Draft202012Validator(schema(name))


def test_the_published_files_are_as_generated() -> None:
    assert schemas.stale(ROOT / "schemas") == []
    assert {p.name for p in (ROOT / "schemas").glob("*.json")} == set(schemas.published())


def test_staleness_is_noticed_and_put_right(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert schemas.main(tmp_path, check=True) == 1
    assert "room.schema.json is stale: run" in capsys.readouterr().err
    assert schemas.main(tmp_path, check=False) == 0
    assert schemas.main(tmp_path, check=True) == 0
    (tmp_path / "room.schema.json").write_text("{}\n", encoding="utf-8")
    assert schemas.stale(tmp_path) == ["room.schema.json"]


@pytest.mark.parametrize("name", sorted(schemas.schemas()))
def test_each_is_a_valid_schema(name: str) -> None:
    assert schema(name)["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema(name))


@pytest.mark.parametrize("path", sorted((VENUE / "rooms").glob("*.yaml")), ids=lambda p: p.stem)
def test_the_rooms_of_the_demo_are_valid(path: Path) -> None:
    room = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert list(validator("room.schema.json").iter_errors(room)) == []
    for spoiled in ({**room, "colour": "blue"}, {**room, "format": 2}, {k: v for k, v in room.items() if k != "room"}):
        assert not validator("room.schema.json").is_valid(spoiled)


def test_the_venue_file_of_the_demo_is_valid() -> None:
    venue = yaml.safe_load((VENUE / "venue.yaml").read_text(encoding="utf-8"))
    assert list(validator("venue.schema.json").iter_errors(venue)) == []
    assert not validator("venue.schema.json").is_valid({**venue, "format": "one"})


def test_an_exported_snapshot_is_valid(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    out = tmp_path / "sealed.json"
    taken = json.loads(fleet("snapshot", "take", "--note", "hand-over", "--json").out)["id"]
    assert fleet("snapshot", "export", taken, "--out", str(out)).code == 0
    document = json.loads(out.read_text(encoding="utf-8"))
    assert list(validator("snapshot.schema.json").iter_errors(document)) == []
    spoiled = copy.deepcopy(document)
    spoiled["body"]["devices"][0]["state"]["moment"]["revision"] = -1
    assert not validator("snapshot.schema.json").is_valid(spoiled)
    again = fleet("snapshot", "export", taken, "--out", str(out))
    assert again.code == 2
    assert "cannot write: File exists" in again.err
