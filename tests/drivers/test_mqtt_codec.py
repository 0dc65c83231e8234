"""Bytes of schemas/wire.md to values of the model and back; and whatever else is sent."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import pytest
from contract import WISHES
from hypothesis import given
from hypothesis import strategies as st
from samples import description_message
from scripted_device import ScriptedDevice

from fleet.drivers.mqtt import codec
from fleet.drivers.mqtt.convert import outputs_of, work_members
from fleet.drivers.mqtt.hearing import Hearing
from fleet.drivers.mqtt.topics import (
    SHARDS,
    checked_root,
    device_topic,
    parse_device_topic,
    shard_of,
    slice_filters,
)
from fleet.drivers.mqtt.wire import MAX_PAYLOAD_BYTES
from fleet.drivers.mqtt.wire_requests import Get, Stage, StageBody
from fleet.drivers.protocol import Described, Nonsense, SlotsHeard, StateHeard
from fleet.errors import BadInput, DeviceNonsense
from fleet.model.names import shown
from fleet.model.plan import Work
from fleet.model.settings import Band, DeviceSettings, OutputSettings

ROOT = "loudspeakers/v1"
DEVICE = ScriptedDevice("box-1", ROOT)
BELL = {"shape": "bell", "frequency_hz": 1000.0, "gain_db": 6.0, "q": 1.0}


def state(**output: Any) -> dict[str, Any]:
    message = copy.deepcopy(DEVICE.state())
    message["outputs"][0] |= output
    return message


def decoded(message: dict[str, Any], convention: Any = "cookbook") -> OutputSettings:
    return codec.decode_state("box-1", json.dumps(message).encode(), convention).live.outputs[1]


def test_a_bell_s_q_becomes_the_cookbook_s() -> None:
    """Q_cookbook = Q_constant / A, A = 10^(|gain_db|/40) (schemas/wire.md); +6 dB at constant Q 1 is 0.707946."""
    live = decoded(state(eq=[BELL, BELL | {"gain_db": -6.0}, BELL | {"shape": "low_shelf"}]), "constant_q")
    assert live.eq is not None
    assert [round(b.q, 6) for b in live.eq] == [0.707946, 0.707946, 1.0]
    assert decoded(state(eq=[BELL])).eq == (Band(shape="bell", frequency_hz=1000.0, gain_db=6.0, q=1.0),)


@given(st.floats(0.1, 40), st.floats(-30, 30), st.sampled_from(["cookbook", "constant_q"]))
def test_settings_come_back_from_the_wire_as_they_went(q: float, gain_db: float, convention: Any) -> None:
    bands = (Band(shape="bell", frequency_hz=1000.0, gain_db=gain_db, q=q),)
    outputs = {1: WISHES, 2: OutputSettings(eq=bands, low_pass="none")}
    members = work_members(Work(settings=DeviceSettings(input="network", outputs=outputs)), convention)
    back = outputs_of(members["settings"].outputs, convention)
    assert back[2].eq is not None
    assert back[2].eq[0].q == pytest.approx(q, rel=1e-12)
    assert back[2].low_pass == "none"
    assert back[1].given() == WISHES.given()
    assert back[1].high_pass == WISHES.high_pass


def test_only_what_is_given_goes_out() -> None:
    body = {
        "change": "c-1",
        "phase": 3,
        **work_members(Work(settings=DeviceSettings(outputs={1: OutputSettings(level_db=-6)})), "cookbook"),
    }
    request = Stage(
        id="r-1",
        controller="fleet-1",
        deadline_uptime_ms=1.0,
        epoch=2,
        expect={"boot_id": "b-1", "revision": 31},  # type: ignore[arg-type] # as the driver gives it
        body=StageBody.model_validate(body),
    )
    assert json.loads(codec.encode_request(request))["body"] == {
        "change": "c-1",
        "phase": 3,
        "settings": {"outputs": [{"output": 1, "level_db": -6}]},
    }
    assert "deadline_uptime_ms" not in json.loads(codec.encode_request(Get(id="r-1", controller="fleet-1")))


def test_a_negative_zero_is_zero() -> None:
    live = decoded(state(level_db=-0.0, eq=[BELL | {"gain_db": -0.0}]))
    assert live.level_db is not None
    assert live.eq is not None
    assert math.copysign(1, live.level_db) == math.copysign(1, live.eq[0].gain_db) == 1


@pytest.mark.parametrize(
    "bad",
    [
        {"level_db": math.nan},
        {"level_db": math.inf},
        {"level_db": "6"},
        {"level_db": None},
        {"delay_ms": -1},
        {"mute": True},
        {"mute": 0},
        {"output": 0},
        {"polarity": "backwards"},
        {"eq": [BELL] * 65},
        {"eq": [BELL | {"q": 0}]},
        {"eq": [BELL | {"gain_db": 1e6}]},
        {"high_pass": "off"},
        {"high_pass": {"family": "linkwitz_riley", "slope_db_per_octave": 25, "frequency_hz": 90}},
    ],
)
def test_values_that_cannot_be_are_nonsense(bad: dict[str, Any]) -> None:
    with pytest.raises(DeviceNonsense, match=r"box-1: state: outputs\.0"):
        decoded(state(**bad))


def test_identities_must_agree_with_the_topic() -> None:
    for decode, message in (
        (lambda d, p: codec.decode_state(d, p, "cookbook"), DEVICE.state()),
        (lambda d, p: codec.decode_slots(d, p, "cookbook"), DEVICE.slots_message()),
        (codec.decode_description, DEVICE.description),
    ):
        with pytest.raises(DeviceNonsense, match="claims to be box-1"):
            decode("box-2", json.dumps(message).encode())


def test_twice_the_same_output_or_slot_is_nonsense() -> None:
    message = DEVICE.state()
    with pytest.raises(DeviceNonsense, match="twice"):
        codec.decode_state("box-1", json.dumps(message | {"outputs": message["outputs"] * 2}).encode(), "cookbook")
    slots = DEVICE.slots_message()
    with pytest.raises(DeviceNonsense, match="twice"):
        codec.decode_slots("box-1", json.dumps(slots | {"slots": slots["slots"] * 2}).encode(), "cookbook")


def test_an_oversized_payload_is_not_even_parsed() -> None:
    with pytest.raises(DeviceNonsense, match="at most 65536"):
        codec.decode_state("box-1", json.dumps(DEVICE.state()).encode() + b" " * MAX_PAYLOAD_BYTES, "cookbook")


def test_what_a_later_contract_adds_is_ignored() -> None:
    message = description_message("box-1", ("stage", "tea")) | {"colour": "blue"}
    assert codec.decode_description("box-1", json.dumps(message).encode()).features == ("stage",)
    refusal = {"v": 1, "id": "r-1", "device": "box-1", "ok": False, "refusal": {"code": "too_early", "text": "\x07"}}
    reply = codec.decode_reply(json.dumps(refusal).encode())
    assert reply.refusal is not None
    assert (reply.refusal.code, reply.refusal.text) == ("too_early", "?")


def test_an_input_whose_name_cannot_be_shown_is_refused() -> None:
    """It is compared and sent back, so it cannot be mended."""
    message = description_message("box-1") | {"inputs": ["net\x1bwork"]}
    with pytest.raises(DeviceNonsense, match=r"inputs\.0"):
        codec.decode_description("box-1", json.dumps(message).encode())


@given(st.binary(max_size=400))
def test_any_bytes_parse_or_are_nonsense(payload: bytes) -> None:
    _decode_all(payload)


_leaves = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
_messages = [
    DEVICE.state(),
    DEVICE.slots_message(),
    DEVICE.description,
    DEVICE.presence(online=True),
    {"v": 1, "id": "r-1", "device": "box-1", "ok": True, "result": {"boot_id": "b", "revision": 1, "uptime_ms": 1}},
]


@given(st.sampled_from(_messages), st.data())
def test_any_member_replaced_by_anything_parses_or_is_nonsense(message: dict[str, Any], data: st.DataObject) -> None:
    spoiled = copy.deepcopy(message)
    where: Any = spoiled
    while True:
        keys = list(where) if isinstance(where, dict) else list(range(len(where)))
        key = data.draw(st.sampled_from(keys))
        if isinstance(where[key], dict | list) and where[key] and data.draw(st.booleans()):
            where = where[key]
            continue
        anything = st.recursive(_leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner))
        where[key] = data.draw(anything)
        break
    _decode_all(json.dumps(spoiled).encode())


def _decode_all(payload: bytes) -> None:
    for decode in (
        codec.decode_presence,
        codec.decode_description,
        lambda d, p: codec.decode_state(d, p, "constant_q"),
        lambda d, p: codec.decode_slots(d, p, "constant_q"),
        lambda _, p: codec.decode_reply(p),
    ):
        complaint = ""
        try:
            decode("box-1", payload)
        except DeviceNonsense as error:
            complaint = error.what
        assert complaint == shown(complaint, 300)
    codec.decode_reply_head(payload)


def test_shards_are_the_first_two_digits_of_sha_256() -> None:
    """SHA-256 of "abc" begins with ba 78 (FIPS 180-4, example)."""
    assert shard_of("abc") == "ba"
    assert len(SHARDS) == 256
    assert slice_filters(ROOT, ("ba",))[0] == "loudspeakers/v1/devices/ba/+/presence"


@given(st.from_regex(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}", fullmatch=True))
def test_a_device_s_topics_name_it(device: str) -> None:
    named = parse_device_topic(ROOT, device_topic(ROOT, device, "state"))
    assert (named.device, named.kind) == (device, "state")


@pytest.mark.parametrize(
    "topic",
    [
        f"{ROOT}/devices/00/box-1/state",
        f"{ROOT}/devices/{shard_of('box-1')}/box-1/request",
        f"{ROOT}/devices/{shard_of('box-1')}/box-1/state/x",
        f"{ROOT}/devices/{shard_of('a_b')}/a_b/state",
        "other/devices/00/box-1/state",
        "",
    ],
)
def test_other_topics_are_nonsense(topic: str) -> None:
    with pytest.raises(DeviceNonsense):
        parse_device_topic(ROOT, topic)


@pytest.mark.parametrize("root", ["", "a//b", "/a", "a/", "a/#", "a/+", "a b", "a" * 200])
def test_a_root_with_wildcards_or_gaps_is_bad_input(root: str) -> None:
    with pytest.raises(BadInput, match="is no topic root"):
        checked_root(root)


def test_state_and_slots_wait_for_the_description() -> None:
    hearing = Hearing(ROOT)
    assert hearing.hear(DEVICE.topic("state"), json.dumps(state(eq=[BELL])).encode()) == []
    assert hearing.hear(DEVICE.topic("slots"), json.dumps(DEVICE.slots_message()).encode()) == []
    events = hearing.hear(DEVICE.topic("description"), json.dumps(DEVICE.description).encode())
    assert [type(e) for e in events] == [Described, StateHeard, SlotsHeard]
    assert isinstance(events[1], StateHeard)
    eq = events[1].state.live.outputs[1].eq
    assert eq is not None
    assert round(eq[0].q, 6) == 0.707946


def test_nonsense_is_logged_once_for_a_device_and_kind(caplog: pytest.LogCaptureFixture) -> None:
    hearing = Hearing(ROOT)
    with caplog.at_level("DEBUG"):
        for kind in ("presence", "presence", "description"):
            assert [type(e) for e in hearing.hear(DEVICE.topic(kind), b"?")] == [Nonsense]
        assert hearing.hear(DEVICE.topic("presence"), b"") == [], "a retained message was deleted"
    assert [r.levelname for r in caplog.records] == ["WARNING", "DEBUG", "WARNING"]


@given(st.text(max_size=100), st.binary(max_size=60))
def test_hearing_never_raises(topic: str, payload: bytes) -> None:
    for where in (topic, f"{ROOT}/devices/{topic}", DEVICE.topic("description")):
        for event in Hearing(ROOT).hear(where, payload):
            assert isinstance(event, Nonsense)
            assert event.what == shown(event.what, 400)
