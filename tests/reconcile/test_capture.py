"""A captured room: comparing it with the same devices finds nothing, and nothing in it is said twice."""

from __future__ import annotations

from collections import Counter
from random import Random
from typing import Any

import pytest
from captured_devices import at_random, capture, compared, loaded

from fleet.services.capturing import room_text


@pytest.mark.parametrize("seed", range(100))
def test_a_captured_room_differs_in_nothing_from_its_devices(seed: int) -> None:
    devices = at_random(Random(seed))
    room = capture(devices)
    found = compared(loaded(room), devices)
    assert [d.words for d in found.differences] == []
    assert found.checked
    _nothing_is_said_twice(room.data)
    text = room_text(room.data)
    assert "99999" not in text
    assert "00000" not in text.replace("16000", "")


def _nothing_is_said_twice(data: dict[str, Any]) -> None:
    """A position gives no setting that its groups or the defaults give alike; groups none that the defaults do."""
    defaults, groups = data.get("defaults", {}), data.get("groups", {})
    for group in groups.values():
        assert not set(group) & set(defaults)
    for position in data["positions"].values():
        above = dict(defaults)
        for name in position.get("groups", []):
            above.update(groups[name])
        assert not {k for k, v in position.items() if k in above and above[k] == v}
    members = Counter(name for p in data["positions"].values() for name in p.get("groups", []))
    assert set(members) == set(groups)
    assert all(count > 1 for count in members.values())
    written = Counter(str(p["eq"]) for p in data["positions"].values() if isinstance(p.get("eq"), list) and p["eq"])
    assert all(count == 1 for count in written.values()), "an EQ that several have is a curve"
