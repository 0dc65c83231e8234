"""Files of snapshots: the right one is right, and whatever was done to another is named, down to the first entry."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fleet.errors import BadInput
from fleet.faces.proof.entries import first_wrong
from fleet.faces.proof.keys import pem_of, signing_key
from fleet.faces.proof.verifying import OWN_KEY, RESIGN, Verdict, verify
from fleet.model.edge import canonical_json, digest
from fleet.model.sealing import device_sha256, seal_of, statement, whole_sha256
from fleet.model.snapshot import NEVER_CHECKED
from tests.faces.daemon_in_process import CommandLine
from tests.faces.sealed_files import ANOTHER, KEY, Document, document, written

WHOLE = written(document())


def results(found: Verdict) -> dict[str, str]:
    return {check.name: check.result for check in found.checks}


def words(found: Verdict, name: str = "hash") -> str:
    return next(check.words for check in found.checks if check.name == name)


def test_a_whole_file_is_right_and_says_what_that_does_not_show() -> None:
    found = verify(WHOLE, key=KEY.public_key)
    assert found.right
    assert results(found) == {"hash": "right", "signature": "right", "key": "right", "witness": "not checked"}
    assert words(found, "witness").startswith("Jo Marsh (on paper), written down")
    assert found.audit is not None
    assert found.audit.length == 0
    assert found.not_checked[: len(NEVER_CHECKED)] == NEVER_CHECKED
    assert found.not_checked[-1].startswith("Not read: box-2 (weir-hall/main-right): ")
    assert found.caveats == (RESIGN,)
    alone = verify(WHOLE)
    assert alone.right
    assert results(alone)["key"] == "not checked"
    assert OWN_KEY in alone.caveats


def said_right(data: bytes) -> bool:
    """Whether a file is called right; one that is called no snapshot at all is not."""
    try:
        return verify(data, key=KEY.public_key).right
    except BadInput:
        return False


def turned_up(one: Document) -> None:
    one["body"]["devices"][2]["state"]["live"]["outputs"]["1"]["level_db"] = -3


def sealed_anew(one: Document) -> None:
    """Altered by somebody who works all hashes out again, and has no key."""
    turned_up(one)
    seal = seal_of(one["body"])
    one["entries"] = {"head": seal.head, "devices": list(seal.devices), "not_read": list(seal.not_read)}
    one["sha256"] = whole_sha256(seal.head, seal.devices, seal.not_read)


def signed_by_another(one: Document) -> None:
    """The same, by somebody who has a key of their own and puts it into the file."""
    one["body"]["key_sha256"] = ANOTHER.key_sha256
    sealed_anew(one)
    one["witnesses"] = []
    signature = ANOTHER.sign(statement(one["sha256"]))
    one["signature"] |= {"public_key": ANOTHER.public_key, "signature": signature}


def with_its_hash(one: Document) -> None:
    turned_up(one)
    one["entries"]["devices"][2] = device_sha256(one["body"]["devices"][2])


def swapped(one: Document) -> None:
    devices = one["body"]["devices"]
    devices[1], devices[2] = devices[2], devices[1]


def doubled(one: Document) -> None:
    one["body"]["devices"].insert(2, one["body"]["devices"][1])


def added(one: Document) -> None:
    stranger = json.loads(json.dumps(one["body"]["devices"][-1]).replace("box-9", "box-10"))
    one["body"]["devices"].append(stranger)


def renamed(one: Document) -> None:
    one["body"]["devices"][0]["description"]["id"] = "\u202e<script>" + "x" * 10_000


BAD: list[tuple[Callable[[Document], Any], str]] = [
    (turned_up, "device box-4 was altered"),
    (renamed, r"device \?<script>x+… was altered"),
    (with_its_hash, "the hash of the whole is another"),
    (swapped, "device box-4 is not in its place: the entries were put in another order"),
    (doubled, "device box-3 stands more than once"),
    (added, "device box-10 was added"),
    (lambda one: one["body"]["devices"].pop(), "cut short: it lists 5 devices and holds 4"),
    (lambda one: one["body"]["devices"].pop(1), "device box-4 is not in its place: an entry before it is missing"),
    (lambda one: one["body"]["not_read"].pop(), "cut short: it lists 1 devices not read and holds 0"),
    (lambda one: one["body"]["not_read"][0].update(words="it was fine"), "what is said of box-2, which was not read"),
    (lambda one: one["body"].update(note="another"), "the head matter"),
    (lambda one: one["body"].update(not_checked=[]), "the head matter"),
    (lambda one: one["body"]["audit"].update(length=9), "the head matter"),
    (lambda one: one.update(id="s-9999"), "its id is not the one that was sealed"),
    (lambda one: one.update(sha256="0" * 64), "the hash of the whole is another"),
    (lambda one: one.update(more=1), "has a member that no snapshot has: 'more'"),
    (lambda one: one.pop("entries"), "has no member 'entries'"),
    (lambda one: one.update(entries=[]), "its hashes of entries are missing"),
    (lambda one: one.update(body=3), "its body has no lists"),
    (lambda one: one.update(witnesses="me"), "its witnesses are none"),
    (lambda one: one["body"]["devices"].__setitem__(0, None), "a device without an id was altered"),
]


@pytest.mark.parametrize(("change", "told"), BAD, ids=[told for _, told in BAD])
def test_the_first_wrong_entry_is_named(change: Callable[[Document], Any], told: str) -> None:
    one = document()
    change(one)
    found = verify(written(one), key=KEY.public_key)
    assert not found.right
    assert results(found)["hash"] == "wrong"
    assert re.search(told, words(found)), words(found)


def test_hashes_worked_out_again_are_told_by_the_signature() -> None:
    one = document()
    sealed_anew(one)
    assert first_wrong(one) == ""
    found = verify(written(one))
    assert (results(found)["hash"], results(found)["signature"]) == ("right", "wrong")
    assert not found.right


def test_another_key_is_told_by_the_key_alone_and_that_is_said() -> None:
    one = document()
    signed_by_another(one)
    alone = verify(written(one))
    assert alone.right
    assert OWN_KEY in alone.caveats, "nothing in a file can show whose it is"
    found = verify(written(one), key=KEY.public_key)
    assert not found.right
    assert "not signed with the key that was given" in words(found, "key")
    assert KEY.key_sha256 in words(found, "key")


def test_a_foreign_snapshot_is_right_and_another_venues() -> None:
    found = verify(written(document(ANOTHER)), key=KEY.public_key)
    assert results(found) | {"witness": ""} == {"hash": "right", "signature": "right", "key": "wrong", "witness": ""}
    assert not found.right


@pytest.mark.parametrize(
    ("change", "name"),
    [
        (lambda one: one.update(signature=None), "signature"),
        (lambda one: one["signature"].update(signature="00" * 64), "signature"),
        (lambda one: one["signature"].update(signature=one["signature"]["signature"].upper()), "signature"),
        (lambda one: one["signature"].update(public_key="zz"), "signature"),
        (lambda one: one["signature"].update(public_key=ANOTHER.public_key), "signature"),
        (lambda one: one["witnesses"][0].update(name="Another"), "witness"),
        (lambda one: one["witnesses"][0].update(sha256="0" * 64), "witness"),
        (lambda one: one["witnesses"].append({**one["witnesses"][0], "name": "Sam"}), "witness"),
        (lambda one: one["witnesses"][0].update(kind="time stamp"), "time stamp"),
    ],
)
def test_signature_and_witnesses_cannot_be_touched(change: Callable[[Document], Any], name: str) -> None:
    one = document()
    change(one)
    found = verify(written(one), key=KEY.public_key)
    assert not found.right
    assert "wrong" in {check.result for check in found.checks if check.name == name}


def test_a_key_of_small_order_or_no_point_signs_nothing() -> None:
    """Keys that fit many signatures: all that is zero is a point of order 4 (RFC 8032, section 5.1)."""
    for key in ("00" * 32, "01" + "00" * 31, "ff" * 32):
        one = document()
        one["signature"] |= {"public_key": key, "signature": "00" * 64}
        assert not verify(written(one)).right


@pytest.mark.parametrize("length", [0, 1, len(WHOLE) // 3, len(WHOLE) - 2])
def test_a_file_that_was_cut_short_says_so(length: int) -> None:
    found = verify(WHOLE[:length])
    assert not found.right
    assert "cut short" in words(found)


def test_two_members_of_one_name_are_refused_wherever_they_stand() -> None:
    for name in (b'"id":', b'"level_db":'):
        twice = WHOLE.replace(name, name + b'"x",' + name, 1)
        assert "two members are named" in words(verify(twice))


def test_other_forms_of_the_same_values_are_not_the_file() -> None:
    for other in (json.dumps(document(), indent=1).encode(), WHOLE + b"\n", WHOLE[:-1], b" " + WHOLE):
        assert "not in canonical form" in words(verify(other))


def test_another_format_is_refused_by_its_name() -> None:
    with pytest.raises(BadInput, match=r"'fleet-snapshot/3'.*reads fleet-snapshot/2 and fleet-snapshot/1"):
        verify(WHOLE.replace(b"fleet-snapshot/2", b"fleet-snapshot/3"))
    for other in (b"[]", b"3", b"{}", b'{"format":null}', b'{"format":["fleet-snapshot/2"]}'):
        with pytest.raises(BadInput, match="no snapshot"):
            verify(other)


def test_nested_without_end_is_no_snapshot() -> None:
    assert not verify(b'{"format":' + b"[" * 200_000 + b"]" * 200_000 + b"}").right
    deep = WHOLE.replace(b'"note":"', b'"deep":' + b"[" * 900 + b"]" * 900 + b',"note":"', 1)
    assert not verify(deep).right


def test_one_of_format_1_is_read_and_called_unsigned() -> None:
    body = {"venue": "Weir Hall", "devices": [], "not_read": [], "level": -6.0}
    old = {"format": "fleet-snapshot/1", "id": "s-1", "sha256": digest(body), "body": body}
    found = verify(canonical_json(old) + b"\n")
    assert results(found) == {"hash": "right", "signature": "wrong"}
    assert not found.right
    turned = canonical_json(old | {"body": body | {"level": -5.0}}) + b"\n"
    assert results(verify(turned))["hash"] == "wrong"


@settings(max_examples=400, deadline=None)
@given(place=st.integers(0, len(WHOLE) - 1), bits=st.integers(1, 255))
@example(place=0, bits=1)
@example(place=len(WHOLE) - 1, bits=1)
@example(place=WHOLE.index(b'"sha256":"') + 12, bits=0x20)
def test_any_byte_that_is_flipped_is_noticed(place: int, bits: int) -> None:
    flipped = bytearray(WHOLE)
    flipped[place] ^= bits
    assert not said_right(bytes(flipped))


@settings(max_examples=200, deadline=None)
@given(data=st.binary(max_size=200))
def test_whatever_a_file_holds_it_is_told_and_not_thrown(data: bytes) -> None:
    assert not said_right(data)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=10,
)
PLACES = [
    ("body",),
    ("entries",),
    ("signature",),
    ("witnesses",),
    ("id",),
    ("sha256",),
    ("body", "devices"),
    ("body", "not_read"),
    ("body", "audit"),
    ("entries", "devices"),
    ("signature", "signature"),
    ("witnesses", 0),
]


@settings(max_examples=300, deadline=None)
@given(place=st.sampled_from(PLACES), value=JSON)
def test_any_value_in_any_place_is_told_and_not_thrown(place: tuple[Any, ...], value: Any) -> None:
    one = document()
    holder: Any = one
    for step in place[:-1]:
        holder = holder[step]
    if holder[place[-1]] == value:
        return
    holder[place[-1]] = value
    data = json.dumps(one).encode("utf-8", "surrogatepass")
    assert not verify(data, key=KEY.public_key).right


def test_the_command_says_it_with_no_daemon_and_no_venue(fleet: CommandLine, home: Path, tmp_path: Path) -> None:
    file, key, foreign = tmp_path / "s.json", tmp_path / "venue.pem", tmp_path / "another.pem"
    file.write_bytes(WHOLE)
    key.write_text(pem_of(KEY.public_key), encoding="ascii")
    foreign.write_text(pem_of(ANOTHER.public_key), encoding="ascii")
    right = fleet("snapshot", "verify", str(file), "--key", str(key))
    assert right.code == 0, right
    assert not home.exists(), "nothing was made"
    assert "Whoever holds the signing key" in right.out
    assert "box-2" in right.out
    assert fleet("snapshot", "verify", str(file), "--key", str(foreign)).code == 1
    alone = fleet("snapshot", "verify", str(file))
    assert alone.code == 0
    assert "against the key inside of the file" in " ".join(alone.out.split())
    one = document()
    renamed(one)
    file.write_bytes(written(one))
    wrong = fleet("snapshot", "verify", str(file))
    assert wrong.code == 1
    assert "\u202e" not in wrong.out
    assert len(wrong.out) < 5000
    for bad in (tmp_path / "none.json", tmp_path):
        assert fleet("snapshot", "verify", str(bad)).code == 2
    assert fleet("snapshot", "verify", str(file), "--key", str(file)).code == 2
    assert fleet("snapshot", "verify", str(file), "--tsa-certificate", str(key)).code == 2


def test_a_private_key_is_not_taken_for_a_public_one(fleet: CommandLine, tmp_path: Path) -> None:
    signing_key(tmp_path)
    (tmp_path / "s.json").write_bytes(WHOLE)
    said = fleet("snapshot", "verify", str(tmp_path / "s.json"), "--key", str(tmp_path / "signing-key.pem"))
    assert said.code == 2
    assert "private key" in said.err


def test_files_are_compared_by_meaning_and_only_whole_ones(fleet: CommandLine, tmp_path: Path) -> None:
    first, second, broken = tmp_path / "a.json", tmp_path / "b.json", tmp_path / "c.json"
    first.write_bytes(WHOLE)
    one = document()
    sealed_anew(one)
    second.write_bytes(written(one))
    broken.write_bytes(WHOLE.replace(b"box-4", b"box-6", 1))
    assert fleet("snapshot", "compare", str(first), str(first)).code == 0
    said = fleet("snapshot", "compare", str(first), str(second))
    assert said.code == 1
    assert "louder" in said.out
    assert fleet("snapshot", "compare", str(first), str(broken)).code == 2
