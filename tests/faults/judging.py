"""What is found of a change that a killed daemon left and another has settled: by raw MQTT, and in the journal.

Each function yields what speaks against it in words, with boxes and values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from tests.faults.loft import BOXES, Loft
from tests.faults.results import STATES
from tests.faults.wire import Sent

Json = dict[str, Any]

SETTLED = ("kept", "rolled back", "cancelled", "needs a person")
JOURNALED: Mapping[str, tuple[str, ...]] = {
    "stage": ("stage", "write back"),
    "commit": ("commit ", "write back"),
    "set": ("commit ", "write back"),
    "keep": ("keep", "write back"),
    "revert": ("revert", "write back"),
    "abort": ("forget",),
}
"""For each action on the wire, how the journal's entry begins that has to have been written before."""


def pictures(loft: Loft) -> dict[str, Json]:
    """What every box holds, asked by raw MQTT: live settings, and a hash of its slots."""
    return {box: _picture(loft.wire.get(box)["state"]) for box in BOXES}


def held_open(loft: Loft) -> Iterator[str]:
    """Boxes on which a change is still open."""
    for box in BOXES:
        if held := loft.wire.get(box)["state"].get("change"):
            yield f"{box} still has {held['id']} open"


def state_at(change: Json, died_at: float) -> str:
    """The state that the journal told when the daemon died."""
    known = [one["what"] for one in change["story"] if _seconds(one["at"]) <= died_at and one["what"] in STATES]
    return known[-1] if known else "planned"


def not_begun(loft: Loft, old: Mapping[str, Json], acknowledged: str) -> Iterator[str]:
    """What speaks against nothing having happened, where the journal has no change."""
    if acknowledged:
        yield f"{acknowledged} was acknowledged and nothing is known of it"
    yield from (f"{box} differs though nothing was begun" for box, now in pictures(loft).items() if now != old[box])


def halves(loft: Loft, old: Mapping[str, Json], new: Mapping[str, Json], change: Json) -> Iterator[str]:
    """What speaks against all being new or all old, as the change's end says; or the others being named exactly."""
    now = pictures(loft)
    neither = [box for box in BOXES if now[box] not in (old[box], new[box])]
    if change["state"] == "needs a person":
        named = sorted(one["device"] for one in change["devices"] if one["word"] == "needs a person")
        if named != neither:
            yield f"needs a person and names {named}; neither old nor new: {neither}"
        return
    wanted = new if change["state"] == "kept" else old
    for box in BOXES:
        if now[box] != wanted[box]:
            apart = {name: (now[box][name], value) for name, value in wanted[box].items() if now[box][name] != value}
            which = "neither old nor new" if box in neither else "new" if now[box] == new[box] else "old"
            yield f"the change is {change['state']}, and {box} is {which}: {apart}"


def untold(change: Json, writes: Sequence[Sent]) -> Iterator[str]:
    """What the journal does not tell, or told too late."""
    story = change["story"]
    if [one["number"] for one in story] != list(range(1, len(story) + 1)):
        yield f"the journal's numbers are {[one['number'] for one in story]}"
    states = [one["what"] for one in story if one["what"] in {*STATES, *SETTLED}]
    if states[-1:] != [change["state"]]:
        yield f"the journal ends with {states[-1:]}, the change is {change['state']}"
    for one in writes:
        begins = JOURNALED[one.message["action"]]
        before = (e for e in story if e["device"] == one.box and _seconds(e["at"]) <= one.at)
        if not any(e["what"].startswith(begins) for e in before):
            yield f"{one.box} was told to {one.message['action']} with nothing in the journal before it"


def _picture(state: Json) -> Json:
    names = ("active_slot", "input", "panel_locked", "power_up_slot", "outputs", "slots_sha256")
    return {name: _rounded(state[name]) for name in names}


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {name: _rounded(each) for name, each in value.items()}
    return [_rounded(each) for each in value] if isinstance(value, list) else value


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp()
