"""mDNS records as sightings: by RFC 6763 (TXT records) and schemas/wire.md (our members), and whatever else is sent."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.discovery.records import (
    BROKER_SERVICE,
    DEVICE_SERVICE,
    Announcement,
    FoundBroker,
    Unusable,
    broker_of,
    goodbye_of,
    sighting_of,
    txt_members,
    usable_addresses,
)
from fleet.model.inventory import Sighting
from fleet.model.names import shown

AT = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def txt(*members: bytes) -> bytes:
    return b"".join(bytes([len(m)]) + m for m in members)


def device(*members: bytes, name: str = "box-0412", addresses: tuple[str, ...] = ("192.0.2.17",)) -> Announcement:
    full = (b"txtvers=1", b"id=box-0412", b"model=Tarn 12", b"fw=2.3.1", b"link=mqtt")
    return Announcement(name=f"{name}.{DEVICE_SERVICE}", txt=txt(*(members or full)), addresses=addresses, port=1883)


def test_a_device_is_sighted() -> None:
    assert sighting_of(device(), AT) == Sighting(
        device="box-0412",
        at=AT,
        source="mdns",
        address="192.0.2.17",
        port=1883,
        model="Tarn 12",
        firmware="2.3.1",
        link="mqtt",
    )


@pytest.mark.parametrize(
    ("announced", "why"),
    [
        (device(b"txtvers=2", b"id=box-0412"), "version '2'"),
        (device(b"id=box-0412"), "version (none)"),
        (device(b"txtvers=1"), "(none) is not a device id"),
        (device(b"txtvers=1", b"id=../etc"), "not a device id"),
        (device(b"txtvers=1", b"id=box-0412\n"), "not a device id"),
        (device(name="box-0412 (2)"), "two devices of this id"),
    ],
)
def test_what_cannot_be_used_says_why(announced: Announcement, why: str) -> None:
    unusable = sighting_of(announced, AT)
    assert isinstance(unusable, Unusable)
    assert why in unusable.why


def test_text_of_the_network_is_made_safe() -> None:
    seen = sighting_of(device(b"txtvers=1", b"id=box-0412", b"model=\x1b[31mred\xff", b"fw=" + b"9" * 200), AT)
    assert isinstance(seen, Sighting)
    assert seen.model == "?[31mred\N{REPLACEMENT CHARACTER}"
    assert len(seen.firmware) == 64


def test_a_goodbye_is_a_sighting_that_is_gone() -> None:
    gone = goodbye_of(f"box-0412.{DEVICE_SERVICE}", AT)
    assert gone == Sighting(device="box-0412", at=AT, source="mdns", gone=True)
    assert isinstance(goodbye_of(f"my box.{DEVICE_SERVICE}", AT), Unusable)


def test_txt_keys_ignore_case_and_the_first_of_a_repeated_key_counts() -> None:
    """RFC 6763, section 6.4."""
    assert txt_members(txt(b"ID=one", b"id=two", b"flag", b"=nothing", b"empty=", b"a=b=c")) == {
        "id": "one",
        "empty": "",
        "a": "b=c",
    }
    assert txt_members(txt(b"a=1") + b"\x09b=2") == {"a": "1"}, "a string that is cut short"


def test_link_local_and_other_useless_addresses_are_left_out() -> None:
    """Link-local: RFC 4291, section 2.5.6 (fe80::/10)."""
    heard = ("fe80::1%eth0", "fe80::5", "2001:db8::1", "nonsense", "224.0.0.251", "0.0.0.0", "192.0.2.17")
    assert usable_addresses(heard) == ("192.0.2.17", "2001:db8::1")


@given(st.text(max_size=80), st.binary(max_size=300), st.lists(st.text(max_size=20), max_size=3), st.integers())
def test_whatever_is_announced_is_a_sighting_or_a_reason(name: str, raw: bytes, heard: list[str], port: int) -> None:
    announced = Announcement(name=name, txt=raw, addresses=tuple(heard), port=port)
    for seen in (sighting_of(announced, AT), broker_of(announced), goodbye_of(name, AT)):
        assert isinstance(seen, Sighting | FoundBroker | Unusable)
        if isinstance(seen, Unusable):
            assert seen.name == shown(seen.name)


@given(st.lists(st.binary(max_size=40), max_size=6), st.integers(-1, 70000))
def test_hostile_members_never_break_a_sighting(members: list[bytes], port: int) -> None:
    raw = txt(b"txtvers=1", b"id=box-0412", *(b"model=" + m for m in members))
    seen = sighting_of(Announcement(name=f"box-0412.{DEVICE_SERVICE}", txt=raw, port=port), AT)
    assert isinstance(seen, Sighting)
    assert seen.model == shown(seen.model)
    assert 0 <= seen.port < 65536


def test_a_broker_is_found_by_its_topic_root() -> None:
    name = f"hall.{BROKER_SERVICE}"
    found = broker_of(
        Announcement(name=name, txt=txt(b"txtvers=1", b"root=hall/v1"), addresses=("192.0.2.9",), port=1884)
    )
    assert isinstance(found, FoundBroker)
    assert (found.address.host, found.address.port, found.root) == ("192.0.2.9", 1884, "hall/v1")
    for raw in (b"", txt(b"txtvers=1"), txt(b"txtvers=1", b"root=#"), txt(b"txtvers=1", b"root=a//b")):
        assert isinstance(broker_of(Announcement(name=name, txt=raw, addresses=("192.0.2.9",), port=1)), Unusable)
    unreachable = Announcement(name=name, txt=txt(b"txtvers=1", b"root=hall/v1"), addresses=("fe80::1",), port=1)
    assert isinstance(broker_of(unreachable), Unusable)
