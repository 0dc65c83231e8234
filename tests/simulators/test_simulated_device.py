"""The pure device: rules of schemas/wire.md that hold whatever the order of requests. No broker, no clock."""

from __future__ import annotations

import itertools
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.abilities import Identity, Model, Range
from simulators.condition import Kept, factory_fresh
from simulators.device import REMEMBERED_REPLIES, Device
from simulators.faults import Faults
from simulators.models import FENNBECK, MILLRACE, MODELS, REEDWATER, RILLET, UNDERMERE
from simulators.panel import press
from simulators.topics import MAX_PAYLOAD_BYTES

Json = dict[str, Any]
STAGING = [model for model in MODELS.values() if model.stages]


class Bench:
    """A device on the bench, asked as a good controller asks; time stands still unless told otherwise."""

    def __init__(self, model: Model = FENNBECK, kept: Kept | None = None, *faults: str) -> None:
        self.model = model
        self.faults = Faults(list(faults))
        self.now_ms = 1_000
        self._boots = itertools.count(1)
        self._requests = itertools.count()
        self.boot(kept or factory_fresh(model))

    def boot(self, kept: Kept) -> None:
        identity = Identity("box", "S-1", self.model.firmware, "02:00:5e:00:00:01")
        self.device = Device(self.model, identity, kept, f"b-{next(self._boots)}", self.faults)

    @property
    def state(self) -> Json:
        return self.device.state(self.now_ms)

    def message(self, action: str, body: Json | None = None, **members: Any) -> Json:
        good = {
            "v": 1,
            "id": f"r-{next(self._requests)}",
            "controller": "bench",
            "epoch": 0,
            "deadline_uptime_ms": self.now_ms + 1_000,
            "expect": {"boot_id": self.device.boot_id, "revision": self.device.running.revision},
        }
        return {**good, "action": action, "body": body or {}, **members}

    def ask(self, action: str, body: Json | None = None, **members: Any) -> str:
        """`ok`, or the code of the refusal."""
        reply = self.device.handle(self.message(action, body, **members), self.now_ms)
        assert reply is not None
        return "ok" if reply["ok"] else reply["refusal"]["code"]

    def commit(self, settings: Json | None = None, **work: Any) -> None:
        """Stage and commit phase 1 of change c."""
        body = {"change": "c", "phase": 1, "settings": settings or {}, **work}
        assert self.ask("stage", body) == "ok"
        assert self.ask("commit", {"change": "c", "phase": 1}) == "ok"


def output(**settings: Any) -> Json:
    return {"outputs": [{"output": 1, **settings}]}


@given(
    st.sampled_from([Range(-80, 6, 0.5), Range(0, 200, 1 / 48), Range(-15, 15, 0.1), Range(0.3, 16, 0.05)]), st.data()
)
def test_quantising_is_idempotent_near_and_within_the_range(ability: Range, data: st.DataObject) -> None:
    asked = data.draw(st.floats(ability.min, ability.max))
    kept = ability.quantise(asked)
    assert ability.quantise(kept) == kept
    assert ability.min <= kept <= ability.max + 1e-9
    # A step that does not divide the range leaves less than a step at its top.
    assert abs(kept - asked) <= ability.step / 2 + 1e-9 or asked > ability.max - ability.step


def test_halves_go_up_and_step_nought_keeps_any_value() -> None:
    assert Range(-80, 6, 0.5).quantise(-6.25) == -6.0
    assert Range(20, 20_000, 0).quantise(123.456) == 123.456


# What a controller may try, in any order and however often.
settings = st.fixed_dictionaries(
    {}, optional={"level_db": st.integers(-40, 0), "delay_ms": st.integers(0, 90), "mute": st.booleans()}
)
work = st.fixed_dictionaries(
    {"settings": settings.map(lambda chosen: output(**chosen))},
    optional={
        "recall": st.integers(1, 3),
        "slot_contents": st.just([{"slot": 4, "name": "n", "outputs": [{"output": 1, "level_db": -3}]}]),
    },
)
stage = st.tuples(st.just("stage"), st.integers(1, 3), work)
commit: st.SearchStrategy[tuple[str, int, Json]] = st.tuples(st.just("commit"), st.integers(1, 3), st.just({}))
attempts = st.lists(st.one_of(stage, commit), max_size=12)


def attempt(bench: Bench, tried: list[tuple[str, int, Json]]) -> None:
    for action, phase, more in tried:
        bench.ask(action, {"change": "c", "phase": phase, **more})


@given(st.sampled_from(STAGING), attempts)
def test_a_revert_returns_to_the_start_whatever_was_done(model: Model, tried: list[tuple[str, int, Json]]) -> None:
    bench = Bench(model)
    before, slots = bench.device.running.live, bench.device.running.kept.slots
    attempt(bench, tried)
    assert bench.ask("revert", {"change": "c"}) in ("ok", "unknown_change")
    assert bench.device.running.live == before
    assert bench.device.running.kept.slots == slots
    assert bench.device.running.changes.open is None


@given(st.sampled_from(STAGING), attempts)
def test_a_reboot_before_keep_finds_the_old_state(model: Model, tried: list[tuple[str, int, Json]]) -> None:
    bench = Bench(model)
    kept = bench.device.running.kept
    attempt(bench, tried)
    assert bench.device.running.kept == kept
    bench.boot(bench.device.running.kept)
    assert bench.state["boot_count"] == kept.boot_count + 1
    assert "change" not in bench.state


@given(st.sampled_from([model for model in STAGING if model.power_up.behaviour == "last_state"]), attempts)
def test_what_was_kept_is_there_after_a_reboot(model: Model, tried: list[tuple[str, int, Json]]) -> None:
    bench = Bench(model)
    attempt(bench, [("stage", 9, {"settings": output(level_db=-7)}), ("commit", 9, {}), *tried])
    live = bench.device.running.live
    if bench.ask("keep", {"change": "c"}) == "not_live":
        return
    assert bench.ask("keep", {"change": "c"}) == "ok"
    bench.boot(bench.device.running.kept)
    assert bench.device.running.live == live


@given(st.sampled_from(list(MODELS.values())), attempts)
def test_a_repeat_never_acts_twice(model: Model, tried: list[tuple[str, int, Json]]) -> None:
    bench = Bench(model)
    for action, phase, more in tried:
        verb = action if model.stages else "set"
        message = bench.message(verb, {"change": "c", "phase": phase, **more})
        first = bench.device.handle(message, bench.now_ms)
        before = bench.state
        assert bench.device.handle(message, bench.now_ms) == first
        assert bench.state == before


@given(st.sampled_from(list(MODELS.values())), attempts)
def test_a_refusal_changes_nothing(model: Model, tried: list[tuple[str, int, Json]]) -> None:
    bench = Bench(model)
    for action, phase, more in tried:
        before = bench.state
        if bench.ask(action, {"change": "c", "phase": phase, **more}) != "ok":
            assert bench.state == before


junk: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=4), st.just("none")),
    lambda inner: st.one_of(
        st.lists(inner, max_size=2),
        st.dictionaries(st.sampled_from(["output", "level_db", "eq", "shape", "q", "high_pass", "family"]), inner),
    ),
    max_leaves=6,
)
members = ["change", "phase", "recall", "settings", "slot_contents", "revert_after_ms", "seconds", "outputs", "slot"]
actions = ["get", "stage", "commit", "keep", "revert", "abort", "set", "identify", "restart", "dance"]


@given(
    st.sampled_from(list(MODELS.values())),
    st.sampled_from(actions),
    st.dictionaries(st.sampled_from(members), junk),
    st.dictionaries(st.sampled_from(["v", "epoch", "deadline_uptime_ms", "expect", "body", "action"]), junk),
)
def test_any_junk_is_answered(model: Model, action: str, body: Json, spoilt: Json) -> None:
    bench = Bench(model)
    message = {**bench.message(action, {"change": "c", "phase": 1, **body}), **spoilt}
    reply = bench.device.handle(message, bench.now_ms)
    assert reply is not None
    assert reply["ok"] or reply["refusal"]["text"]


def test_the_last_64_requests_are_remembered() -> None:
    bench = Bench(MILLRACE)
    first = bench.message("set", {"change": "c", "settings": output(level_db=-20)})
    bench.device.handle(first, bench.now_ms)
    for _ in range(REMEMBERED_REPLIES - 1):
        bench.ask("get")
    reply = bench.device.handle(first, bench.now_ms)
    assert reply is not None
    assert reply["ok"]
    bench.ask("get")
    reply = bench.device.handle(first, bench.now_ms)
    assert reply is not None
    assert reply["refusal"]["code"] == "wrong_revision"


def test_refusals_come_in_the_order_of_the_contract() -> None:
    bench = Bench(FENNBECK, None, "busy")
    bench.ask("identify", {"seconds": 1}, epoch=5)
    bench.ask("stage", {"change": "open", "phase": 1})
    bad_slot: list[Json] = [{"slot": 1, "name": "n", "outputs": [{"output": 1, "level_db": 99}]}]
    body: Json = {"change": "c", "slot_contents": bad_slot, "settings": {"power_up_slot": 2}}
    members: Json = {"epoch": 4, "deadline_uptime_ms": 0, "expect": {"boot_id": "b-x", "revision": 99}}

    def next_code() -> str:
        return bench.ask("stage", body, **members)

    assert next_code() == "malformed"
    body["phase"] = 1
    assert next_code() == "expired"
    members["deadline_uptime_ms"] = bench.now_ms
    assert next_code() == "stale_epoch"
    members["epoch"] = 5
    assert next_code() == "unsupported"
    body["settings"] = {}
    bench.faults.set("none")
    bench.ask("stage", {"change": "open", "phase": 1}, epoch=5)
    bench.faults.set("busy")
    assert next_code() == "change_open"
    bench.faults.set("none")
    bench.ask("abort", {"change": "open"}, epoch=5)
    bench.ask("abort", {"change": "c"}, epoch=5)
    bench.faults.set("busy")
    assert next_code() == "aborted"
    body["change"] = "d"
    assert next_code() == "wrong_boot"
    members["expect"]["boot_id"] = bench.device.boot_id
    assert next_code() == "wrong_revision"
    members["expect"]["revision"] = 1
    assert next_code() == "out_of_range"
    bad_slot[0]["outputs"][0]["level_db"] = 0
    assert next_code() == "locked_slot"
    bad_slot[0]["slot"] = 3
    assert next_code() == "busy"
    bench.faults.set("none")
    assert next_code() == "ok"


@pytest.mark.parametrize(
    ("model", "asked"),
    [
        (FENNBECK, {"input": "optical"}),
        (MILLRACE, {"panel_locked": True}),
        (FENNBECK, {"power_up_slot": 3}),
        (MILLRACE, output(polarity="inverted")),
        (REEDWATER, output(low_pass="none")),
        (UNDERMERE, output(eq=[{"shape": "low_shelf", "frequency_hz": 60, "gain_db": 1, "q": 1}])),
        (MILLRACE, output(high_pass={"family": "bessel", "slope_db_per_octave": 24, "frequency_hz": 80})),
        (MILLRACE, output(high_pass={"family": "butterworth", "slope_db_per_octave": 48, "frequency_hz": 80})),
    ],
)
def test_what_a_model_has_not_is_unsupported(model: Model, asked: Json) -> None:
    action = "stage" if model.stages else "set"
    assert Bench(model).ask(action, {"change": "c", "phase": 1, "settings": asked}) == "unsupported"


def test_timer_and_moment_are_unsupported_where_the_model_has_none() -> None:
    bench = Bench(REEDWATER)
    assert bench.ask("stage", {"change": "c", "phase": 1}) == "ok"
    assert bench.ask("commit", {"change": "c", "phase": 1, "revert_after_ms": 500}) == "unsupported"
    assert bench.ask("commit", {"change": "c", "phase": 1, "at_uptime_ms": 5_000}) == "unsupported"
    assert bench.ask("stage", {"change": "c", "phase": 2, "revert_after_ms": 500}) == "ok"  # unknown there, so ignored


def test_slots_refuse_what_they_do_not_store() -> None:
    contents = [{"slot": 6, "name": "n", "outputs": [{"output": 1, "delay_ms": 3}]}]
    assert Bench(REEDWATER).ask("stage", {"change": "c", "phase": 1, "slot_contents": contents}) == "unsupported"


def test_a_device_that_stores_what_is_live_asks_again_at_keep() -> None:
    bench = Bench(REEDWATER)
    contents = [{"slot": 6, "name": "n", "outputs": [{"output": 1, "level_db": -9}]}]
    bench.commit(output(level_db=-9), slot_contents=contents)
    press(bench.device.running, {"set": {"level_db": -8}})
    assert bench.ask("keep", {"change": "c"}) == "not_live"
    press(bench.device.running, {"set": {"level_db": -9}})
    assert bench.ask("keep", {"change": "c"}) == "ok"
    assert bench.device.running.kept.slots[5].outputs[0]["level_db"] == -9


def test_the_timer_reverts_and_a_later_commit_starts_it_anew() -> None:
    bench = Bench()
    assert bench.ask("stage", {"change": "c", "phase": 1, "settings": output(level_db=-9)}) == "ok"
    assert bench.ask("commit", {"change": "c", "phase": 1, "revert_after_ms": 500}) == "ok"
    bench.now_ms += 400
    assert bench.ask("stage", {"change": "c", "phase": 2}) == "ok"
    assert bench.ask("commit", {"change": "c", "phase": 2, "revert_after_ms": 500}) == "ok"
    bench.now_ms += 400
    bench.device.running.tick(bench.now_ms)
    assert bench.state["change"] == {"id": "c", "phase": 2, "reverts_in_ms": 100}
    bench.now_ms += 100
    bench.device.running.tick(bench.now_ms)
    assert (bench.state["outputs"][0]["level_db"], bench.state["cause"]) == (0, "reverted")
    assert bench.ask("keep", {"change": "c"}) == "reverted"


def test_staged_work_dies_after_a_minute_and_leaves_the_device_free() -> None:
    bench = Bench(FENNBECK)
    assert bench.ask("stage", {"change": "c", "phase": 1, "settings": output(level_db=-9)}) == "ok"
    bench.now_ms += 59_000
    bench.device.running.tick(bench.now_ms)
    assert bench.state["change"]["id"] == "c"
    bench.now_ms += 2_000
    bench.device.running.tick(bench.now_ms)
    assert "change" not in bench.state
    assert bench.ask("commit", {"change": "c", "phase": 1}) == "aborted"
    assert bench.ask("stage", {"change": "d", "phase": 1, "settings": output(level_db=-9)}) == "ok"


def test_a_panel_mute_in_an_open_change_outlives_its_revert_and_a_panel_level_does_not() -> None:
    bench = Bench()
    bench.commit(output(level_db=-9))
    press(bench.device.running, {"mute": True})
    press(bench.device.running, {"set": {"level_db": -30}})
    assert bench.device.running.kept.live.outputs[0]["level_db"] == 0
    assert bench.ask("revert", {"change": "c"}) == "ok"
    told = bench.state["outputs"][0]
    assert (told["level_db"], told["mute_causes"]) == (0, ["panel"])


def test_a_panel_change_by_itself_is_kept_at_once() -> None:
    bench = Bench()
    press(bench.device.running, {"recall": 2})
    press(bench.device.running, {"set": {"level_db": -4}})
    bench.boot(bench.device.running.kept)
    assert (bench.state["active_slot"], bench.state["outputs"][0]["level_db"]) == (2, -4)


def test_a_locked_panel_does_nothing_but_unlock() -> None:
    bench = Bench()
    press(bench.device.running, {"settings": {"panel_locked": True}})
    with pytest.raises(ValueError, match="locked"):
        press(bench.device.running, {"mute": True})
    press(bench.device.running, {"settings": {"panel_locked": False}})
    press(bench.device.running, {"mute": True})
    assert bench.state["outputs"][0]["mute_causes"] == ["panel"]


def test_faults_of_the_device_itself() -> None:
    lazy = Bench(FENNBECK, None, "accepts_and_does_not")
    lazy.commit(output(level_db=-9))
    assert lazy.state["outputs"][0]["level_db"] == 0
    failing = Bench(FENNBECK, None, "reboots_on_commit:1")
    failing.commit(output(level_db=-9))
    assert failing.device.reboots == "at_once"
    muted = Bench(FENNBECK, None, "stuck_alarm_mute")
    press(muted.device.running, {"mute": False, "cause": "alarm"})
    assert muted.state["outputs"][0]["mute_causes"] == ["alarm"]
    stranger = Bench(FENNBECK, None, "foreign_serial:S-9")
    assert stranger.state["serial"] == stranger.device.description()["serial"] == "S-9"


def test_only_the_counted_replies_are_lost() -> None:
    faults = Faults(["lost_reply:2"])
    assert [faults.loses_this_reply() for _ in range(4)] == [True, True, False, False]
    assert all(Faults(["lost_reply"]).loses_this_reply() for _ in range(4))


# Models.


def test_there_are_six_models_or_more_and_they_differ_where_it_matters() -> None:
    models = list(MODELS.values())
    assert len(models) >= 6
    assert {model.sample_rate_hz for model in models} == {48_000, 96_000}
    assert {model.q_convention for model in models} == {"cookbook", "constant_q"}
    assert {model.power_up.behaviour for model in models} == {"last_state", "default_slot"}
    assert {model.slots.readable_inactive for model in models} == {True, False}
    assert any(model.slots.store_needs_live for model in models)
    assert any(len(model.outputs) == 4 for model in models)
    assert {frozenset(model.features) for model in models} >= {frozenset(), frozenset({"stage"})}
    assert len({model.latency_ms for model in models}) == len(models)


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda model: model.prefix)
def test_a_description_keeps_its_own_rules(model: Model) -> None:
    told = json.loads(json.dumps(Bench(model).device.description()))
    slots = told["slots"]
    assert [each["output"] for each in told["outputs"]] == list(range(1, len(told["outputs"]) + 1))
    assert 0 < len(slots["factory"]) < slots["count"]
    assert set(slots["stores"]) <= {"level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass", "input"}
    assert (told["power_up"]["behaviour"] == "default_slot") == (told["power_up"]["slot"] in slots["factory"])
    assert "stage" in told["features"] or not told["features"]
    for each in told["outputs"]:
        assert each["passband_hz"][0] < each["passband_hz"][1] < told["sample_rate_hz"] / 2
        ranges = [each["level_db"], each["delay_ms"], *(each["eq"][name] for name in ("frequency_hz", "gain_db", "q"))]
        assert all(limits["min"] < limits["max"] and limits["step"] >= 0 for limits in ranges)


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda model: model.prefix)
def test_the_largest_message_of_a_model_is_within_the_limit(model: Model) -> None:
    band = {"frequency_hz": 123.456789012345, "gain_db": 1.123456789012345, "q": 1.123456789012345, "shape": "bell"}
    bench = Bench(model)
    eq = {"outputs": [{"output": n, "eq": [band] * out.eq.bands} for n, out in enumerate(model.outputs, 1) if out.eq]}
    press(bench.device.running, {"settings": eq})
    held = bench.device.running
    slots = [slot.number for slot in held.kept.slots if slot.kind == "user"]
    contents = [{"slot": n, "name": "n" * 32, "outputs": eq["outputs"]} for n in slots]
    action = "stage" if model.stages else "set"
    assert bench.ask(action, {"change": "c", "phase": 1, "slot_contents": contents}) == "ok"
    if model.stages:
        assert bench.ask("keep", {"change": "c"}) in ("ok", "not_live")
    reply = bench.device.handle(bench.message("get"), bench.now_ms)
    assert len(json.dumps(reply)) < MAX_PAYLOAD_BYTES


def test_a_default_slot_is_recalled_at_power_up_and_its_input_with_it() -> None:
    bench = Bench(RILLET)
    press(bench.device.running, {"settings": {"input": "network"}})
    press(bench.device.running, {"set": {"level_db": -20}})
    bench.boot(bench.device.running.kept)
    assert (bench.state["input"], bench.state["outputs"][0]["level_db"]) == ("analogue", 0)
