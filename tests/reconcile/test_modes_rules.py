"""Modes in plans: which rooms come along, what slots hold in a mode, how a recall gets there."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from samples_plans import MODELS, device_of

from fleet.desired.load import load
from fleet.errors import BadInput, NotFound
from fleet.model.description import Description
from fleet.model.plan import Phase, Plan
from fleet.model.settings import OutputSettings, SlotContents
from fleet.model.venue import Venue
from fleet.reconcile.compare import compare
from fleet.reconcile.modes import brought, in_scope
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import plan_recall
from fleet.reconcile.power_up import power_up_to_store
from fleet.reconcile.representable import representable
from fleet.reconcile.scope import Scope
from fleet.reconcile.store_plans import plan_store
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.wanted_devices import wanted_device

HALL: dict[str, Any] = {
    "format": 1,
    "room": "hall",
    "curves": {
        "warm": [{"shape": "bell", "frequency_hz": 2500, "gain_db": -4, "q": 1.4}],
        "clear": [{"shape": "bell", "frequency_hz": 250, "gain_db": -3, "q": 1}],
    },
    "listen_at_m": [10, 0, 1],
    "house_curve": {"curve": "warm", "slot": 5},
    "defaults": {"level_db": -6},
    "positions": {
        "top": {"device": "box-1", "at_m": [0, 0, 3], "delay_ms": 1},
        "fill": {"device": "box-2", "at_m": [5, 0, 3], "time_align": {"to": "top"}},
    },
    "modes": {
        "speech": {"slot": 6, "house_curve": "clear", "positions": {"top": {"delay_ms": 4}}},
        "night": {"defaults": {"level_db": -20}, "positions": {"top": {"delay_ms": 2}}},
        "free": {"positions": {"top": {"level_db": {"between": [-20, -10]}}}},
    },
}
BOXES = ("box-1", "box-2")


def described(device: str) -> Description:
    return replace(MODELS["full"], id=device, serial=device)


def venue_in(mode: str = "house", room: dict[str, Any] = HALL) -> Venue:
    files = {"venue.yaml": "format: 1\nname: W\ntime_zone: UTC\n", "rooms/hall.yaml": yaml.safe_dump(room)}
    return load(files).venue.in_modes({"hall": mode})


def wanted_in(mode: str, device: str = "box-1", room: dict[str, Any] = HALL) -> WantedDevice:
    return wanted_device(venue_in(mode, room), device, {d: described(d) for d in BOXES}, representable)


def stored_of(want: WantedDevice) -> OutputSettings:
    assert want.stored is not None
    assert want.stored.outputs is not None
    return want.stored.outputs[1]


def test_a_mode_without_a_slot_wants_its_settings_live_and_the_room_without_modes_in_the_slot() -> None:
    plain, night = wanted_in("house"), wanted_in("night")
    assert night.outputs[1].settings.level_db == -20
    assert night.outputs[1].settings.delay_ms == 2
    assert night.stored == plain.stored
    assert (night.slot, night.beyond_slot, plain.beyond_slot) == (5, True, False)


def test_a_mode_with_a_slot_wants_its_settings_in_it() -> None:
    speech = wanted_in("speech")
    assert (speech.slot, speech.beyond_slot) == (6, False)
    assert stored_of(speech).delay_ms == 4
    assert speech.stored is not None
    assert speech.stored.name == "clear"
    assert (stored_of(speech).eq or ())[0].frequency_hz == 250


def test_a_delay_that_is_computed_goes_by_the_mode_live_and_by_the_room_in_its_slot() -> None:
    plain, night = wanted_in("house", "box-2"), wanted_in("night", "box-2")
    before, after = plain.outputs[1].settings.delay_ms, night.outputs[1].settings.delay_ms
    assert before is not None
    assert after == pytest.approx(before + 1, abs=0.02)
    assert night.stored == plain.stored


def test_a_range_of_a_mode_leaves_the_level_in_the_slot_to_the_room() -> None:
    free = wanted_in("free")
    assert free.outputs[1].settings.level_db is None
    assert stored_of(free).level_db == -6
    held = SlotContents(slot=5, name="", outputs={1: replace(stored_of(free), level_db=-7.5)})
    box = device_of("box-1", active_slot=5, slots={5: held})
    found = [d for d in compare([(free, box.reported())]).differences if d.subject == "stored"]
    assert [(d.setting, d.words) for d in found] == [("level_db", "slot 5: 1.5 dB quieter than wanted")]


def test_a_power_cut_ends_in_the_slot_of_the_room_without_modes() -> None:
    def settable(mode: str) -> WantedDevice:
        want = wanted_in(mode)
        power_up = replace(want.description.power_up, behaviour="default_slot", slot_settable=True)
        return replace(want, description=replace(want.description, power_up=power_up))

    assert [power_up_to_store(settable(mode)) for mode in ("house", "night", "speech")] == [5, 5, 5]


@given(st.sampled_from(["box-1", "box-2"]), st.sampled_from([{}, {"defaults": {}}, {"house_curve": "warm"}]))
def test_a_mode_that_overrides_nothing_wants_exactly_the_room(device: str, mode: dict[str, Any]) -> None:
    room = {**HALL, "modes": {"same": mode}}
    assert wanted_in("same", device, room) == wanted_in("house", device, room)


def outlook_in(mode: str, *, active_slot: int = 5, held: str | None = "house") -> Outlook:
    """Both boxes as the room without modes wants them, in slots that hold what is wanted in `held`."""
    now = {d: wanted_in("house", d) for d in BOXES}
    boxes = {}
    for device, want in now.items():
        slots = {c.slot: c for m in ("house", "speech") if (c := wanted_in(m, device).stored) is not None and held}
        live = {1: want.outputs[1].settings}
        boxes[device] = device_of(device, live=live, slots=slots, active_slot=active_slot)
    return Outlook(
        venue=venue_in(mode),
        desired_sha256="0" * 64,
        wants={d: wanted_in(mode, d) for d in BOXES},
        reported={d: box.reported() for d, box in boxes.items()},
    )


def phases_of(plan: Plan) -> dict[str, list[Phase]]:
    return {d.device: sorted(d.work) for d in plan.devices}


def recall(mode: str, **other: Any) -> Plan:
    return plan_recall(outlook_in(mode, **other), Scope(rooms=("hall",), modes={"hall": mode}))


def test_a_mode_in_the_slot_of_the_room_is_set_without_recalling_what_sounds_already() -> None:
    for phases in phases_of(recall("night")).values():
        assert Phase.RECALL not in phases
        assert Phase.SET in phases


def test_from_another_slot_the_room_s_is_recalled_and_the_mode_set_on_it() -> None:
    for phases in phases_of(recall("night", active_slot=3)).values():
        assert Phase.RECALL in phases
        assert Phase.SET in phases


def test_a_mode_in_a_slot_that_was_verified_is_recalled_without_asking() -> None:
    plan = recall("speech")
    assert all(Phase.RECALL in phases for phases in phases_of(plan).values())
    assert [g.guard for g in plan.guards] == []
    assert recall("speech", held=None).notes, "what the slot does not hold is told"


def test_a_box_without_a_slot_is_set_where_a_mode_is_recalled_and_left_out_otherwise() -> None:
    room = {k: v for k, v in HALL.items() if k != "house_curve"} | {"modes": {"night": {"defaults": {"level_db": -20}}}}
    wants = {d: wanted_in("night", d, room) for d in BOXES}
    outlook = replace(outlook_in("night"), venue=venue_in("night", room), wants=wants)
    plan = plan_recall(outlook, Scope(rooms=("hall",), modes={"hall": "night"}))
    assert (len(plan.devices), plan.left_out) == (2, ())
    left_out = plan_recall(outlook, Scope(rooms=("hall",))).left_out
    assert [one.position for one in left_out] == ["fill", "top"]


def test_a_store_writes_the_mode_into_its_own_slot() -> None:
    plan = plan_store(outlook_in("speech", held=None), Scope(rooms=("hall",)))
    stored = {d.device: [c.slot for w in d.work.values() for c in w.slot_contents] for d in plan.devices}
    assert stored == {"box-1": [6], "box-2": [6]}
    assert {d.after.live.power_up_slot for d in plan.devices} == {5}, "a power cut ends the mode"
    assert all(not d.after.live.outputs for d in plan.devices)


def rooms(**modes: Any) -> Venue:
    files = {"venue.yaml": "format: 1\nname: W\ntime_zone: UTC\n"}
    for name, its_modes in modes.items():
        room = {"format": 1, "room": name, "positions": {"a": {"device": f"{name}-1"}}, "modes": its_modes}
        files[f"rooms/{name}.yaml"] = yaml.safe_dump(room)
    return load(files).venue


THREE = rooms(
    east={"all": {"together_with": {"west": "all"}}, "solo": {}, "apart": {"together_with": {"west": "quiet"}}},
    west={"all": {"together_with": {"north": "all"}}, "quiet": {}, "pair": {"together_with": {"north": "pair"}}},
    north={"all": {}, "pair": {}, "loud": {}},
)
NOW = st.fixed_dictionaries(
    {
        "east": st.sampled_from(["house", "all", "solo"]),
        "west": st.sampled_from(["house", "all", "quiet", "pair"]),
        "north": st.sampled_from(["house", "all", "pair", "loud"]),
    }
)


def closed(venue: Venue, modes: dict[str, str]) -> bool:
    """Whether every room is in the mode that goes with those of the others."""
    return all(
        modes[other] == its
        for name, mode in modes.items()
        if mode in venue.rooms[name].modes
        for other, its in venue.rooms[name].modes[mode].together_with.items()
        if its != "house"
    )


@given(NOW, st.sampled_from(["east", "west", "north"]), st.data())
def test_rooms_that_go_together_never_part_half(now: dict[str, str], room: str, data: st.DataObject) -> None:
    if not closed(THREE, now):
        return
    mode = data.draw(st.sampled_from(["house", *THREE.rooms[room].modes]))
    change = brought(THREE.in_modes(now), {room: mode})
    assert change.then[room] == mode
    assert change.was == {name: now[name] for name in change.then}
    assert closed(THREE, {**now, **change.then})


@given(NOW)
def test_only_what_has_to_move_is_moved(now: dict[str, str]) -> None:
    if closed(THREE, now) and now["north"] not in ("all", "pair"):
        assert set(brought(THREE.in_modes(now), {"north": "loud"}).then) == {"north"}


def test_what_comes_along_is_told() -> None:
    change = brought(THREE, {"north": "all"})
    assert change.then == {"east": "all", "north": "all", "west": "all"}
    assert change.notes[0] == "east comes into mode all, since that goes together with mode all of north"
    left = brought(THREE.in_modes(change.then), {"east": "solo"})
    assert left.then == {"east": "solo", "north": "house", "west": "house"}
    assert "north comes into mode house: it is in mode all together with east, which leaves that" in left.notes


def test_a_mode_may_say_where_the_others_go() -> None:
    change = brought(THREE.in_modes({"east": "all", "west": "all", "north": "all"}), {"east": "apart"})
    assert change.then == {"east": "apart", "north": "house", "west": "quiet"}


def test_unknown_and_contradicting_modes_are_refused() -> None:
    with pytest.raises(NotFound, match="north has no mode 'solo'") as unknown:
        brought(THREE, {"north": "solo"})
    assert unknown.value.remedy == "Modes: all, loud, pair, house."
    with pytest.raises(BadInput, match="west cannot be in mode quiet and in mode all at once"):
        brought(THREE, {"east": "all", "west": "quiet"})


def test_the_words_of_a_scope_tell_modes_only_where_there_are_any() -> None:
    scope, _ = in_scope(THREE, "apply", Scope(rooms=("east",)), {})
    assert scope.words == "east"
    scope, change = in_scope(THREE.in_modes({"east": "solo"}), "apply", Scope(rooms=("east",)), {})
    assert (scope.words, dict(change.then)) == ("east in mode solo", {})
    scope, _ = in_scope(THREE.in_modes({"east": "solo"}), "recall", Scope(rooms=("east",)), {"east": "house"})
    assert scope.words == "east in mode house"
