"""The JSON Schema of the wire: it accepts the examples of schemas/wire.md and refuses what the page forbids."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from fleet.drivers.mqtt.wire import MESSAGES, wire_schema

PAGE = Path(__file__).parents[2] / "schemas" / "wire.md"
SCHEMA = wire_schema()


def examples() -> list[dict[str, Any]]:
    """Every JSON object in the page's code blocks; the hash is written there with an ellipsis."""
    decoder = json.JSONDecoder()
    found = []
    for block in re.findall(r"```json\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL):
        text = block.replace("…64 hex digits…", "0" * 64).strip()
        while text:
            message, end = decoder.raw_decode(text)
            found.append(message)
            text = text[end:].strip()
    return found


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert {m.__name__ for m in MESSAGES} <= set(SCHEMA["$defs"])


def test_all_examples_of_the_page_are_messages() -> None:
    found = examples()
    assert len(found) == 7
    for message in found:
        jsonschema.validate(message, SCHEMA)


def test_all_refusal_codes_and_actions_of_the_page_are_in_the_schema() -> None:
    page = PAGE.read_text(encoding="utf-8")
    codes, actions = page.split("Refusal codes, checked")[1], page.split("| action |")[1].split("`settings` is")[0]
    text = json.dumps(SCHEMA)
    for name in re.findall(r"^\| `(\w+)` \|", codes + actions, re.MULTILINE):
        assert f'"{name}"' in text
    assert len(re.findall(r"^\| `(\w+)` \|", codes, re.MULTILINE)) == 17


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("State", {"v": 2}),
        ("State", {"id": "no id"}),
        ("State", {"outputs": []}),
        ("Presence", {"boot_id": None}),
        ("Description", {"q_convention": "other"}),
        ("Stage", {"expect": None}),
    ],
)
def test_what_the_page_forbids_is_refused(name: str, change: dict[str, Any]) -> None:
    marks = {"State": "uptime_ms", "Presence": "connection", "Description": "model", "Stage": "action"}
    message = next(m for m in examples() if marks[name] in m)
    one = {"$ref": f"#/$defs/{name}", "$defs": SCHEMA["$defs"]}
    jsonschema.validate(message, one)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(message | change, one)
