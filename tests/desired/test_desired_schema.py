"""JSON Schemas of the file formats (draft 2020-12), checked against the same files that the loader takes."""

from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from fleet.desired.schemas import room_schema, venue_schema

WEIR = Path(__file__).parent / "good" / "weir"


@pytest.mark.parametrize("schema", [room_schema(), venue_schema()], ids=["room", "venue"])
def test_is_a_schema_of_draft_2020_12(schema):
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("schema", [room_schema(), venue_schema()], ids=["room", "venue"])
def test_every_key_of_every_mapping_is_described(schema):
    for part in [schema, *schema["$defs"].values()]:
        assert part["additionalProperties"] is False
        for name, value in part["properties"].items():
            assert value.get("description"), name
            assert value.get("default", "given") is not None


def test_takes_the_example_and_refuses_mistakes():
    room = yaml.safe_load((WEIR / "rooms" / "weir-hall.yaml").read_text())
    room["positions"]["main-right"]["device"] = "0413"  # an editor that reads YAML 1.1 needs the quotes
    validator = Draft202012Validator(room_schema())
    assert list(validator.iter_errors(room)) == []
    assert (
        list(Draft202012Validator(venue_schema()).iter_errors(yaml.safe_load((WEIR / "venue.yaml").read_text()))) == []
    )
    room["positions"]["main-left"]["levle_db"] = -6
    room["positions"]["main-left"]["eq"] = 5
    room["groups"]["mains"]["level_db"] = None
    paths = sorted("/".join(map(str, error.absolute_path)) for error in validator.iter_errors(room))
    assert paths == ["groups/mains/level_db", "positions/main-left", "positions/main-left/eq"]


@pytest.mark.parametrize(("key", "value"), [("air_temperature_c", -300), ("air_temperature_c", 300)])
def test_bounds_are_said_in_json_schema_s_own_words(key, value):
    room = yaml.safe_load((WEIR / "rooms" / "weir-hall.yaml").read_text())
    room["positions"]["main-right"]["device"] = "0413"
    assert [
        list(error.absolute_path) for error in Draft202012Validator(room_schema()).iter_errors(room | {key: value})
    ] == [[key]]
