"""mDNS records to sightings and brokers. Pure; whatever the network says, the answer is a value or a reason why not."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from fleet.discovery.broker_address import BrokerAddress
from fleet.model.inventory import Sighting
from fleet.model.names import ID_PATTERN, shown

DEVICE_SERVICE: Final = "_loudspeaker._tcp.local."
BROKER_SERVICE: Final = "_mqtt._tcp.local."
TXT_VERSION: Final = "1"

_ROOT = re.compile(r"[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """A resolved service: its full name, raw TXT record, addresses as text, and port."""

    name: str
    txt: bytes = b""
    addresses: tuple[str, ...] = ()
    port: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unusable:
    """An announcement that cannot be used, and why; both are safe to show."""

    name: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBroker:
    """A broker that is announced for devices, with their topic root."""

    address: BrokerAddress
    root: str


def sighting_of(announced: Announcement, at: datetime) -> Sighting | Unusable:
    """A device's announcement as a sighting."""
    instance, txt = _instance(announced.name, DEVICE_SERVICE), txt_members(announced.txt)
    if txt.get("txtvers") != TXT_VERSION:
        return _unusable(announced, f"its TXT version {_quoted(txt.get('txtvers'))} is not known here")
    device = txt.get("id", "")
    if not re.fullmatch(ID_PATTERN, device):
        return _unusable(announced, f"{_quoted(device)} is not a device id")
    if instance != device:
        return _unusable(announced, f"it says that it is {device}: are there two devices of this id?")
    return Sighting(
        device=device,
        at=at,
        source="mdns",
        address=next(iter(usable_addresses(announced.addresses)), ""),
        port=_port(announced.port),
        model=shown(txt.get("model", "")),
        firmware=shown(txt.get("fw", "")),
        link=shown(txt.get("link", "mqtt"), 16),
    )


def goodbye_of(name: str, at: datetime) -> Sighting | Unusable:
    """The end of an announcement as a sighting that is gone."""
    device = _instance(name, DEVICE_SERVICE)
    if not re.fullmatch(ID_PATTERN, device):
        return Unusable(name=shown(name), why="its name is not a device id")
    return Sighting(device=device, at=at, source="mdns", gone=True)


def broker_of(announced: Announcement) -> FoundBroker | Unusable:
    """A broker's announcement, where it names a topic root for devices."""
    txt = txt_members(announced.txt)
    if txt.get("txtvers") != TXT_VERSION or "root" not in txt:
        return _unusable(announced, "it is a broker for something else: it names no topic root")
    if not is_topic_root(txt["root"]):
        return _unusable(announced, f"{_quoted(txt['root'])} is no topic root")
    address = next(iter(usable_addresses(announced.addresses)), None)
    if address is None or not _port(announced.port):
        return _unusable(announced, "it has no address that can be reached")
    return FoundBroker(address=BrokerAddress(host=address, port=announced.port), root=txt["root"])


def is_topic_root(text: str) -> bool:
    """Whether this can be the topic root of devices: plain words with `/` between, no wildcards."""
    return len(text) <= 128 and _ROOT.fullmatch(text) is not None


def txt_members(txt: bytes) -> Mapping[str, str]:
    """Members of a TXT record: keys in lower case, of a repeated key the first; what is cut short is left out.

    Source: RFC 6763, sections 6.1 to 6.4.
    """
    members: dict[str, str] = {}
    position = 0
    while position < len(txt):
        end = position + 1 + txt[position]
        if end > len(txt):
            break
        key, equals, value = txt[position + 1 : end].partition(b"=")
        position = end
        name = key.decode("ascii", "replace").lower()
        if equals and name:
            members.setdefault(name, value.decode("utf-8", "replace"))
    return members


def usable_addresses(addresses: Iterable[str]) -> tuple[str, ...]:
    """Addresses that can be connected to from another program, IPv4 first.

    A link-local IPv6 address means nothing without the interface it was heard on, so it is left out.
    """
    usable: list[ipaddress.IPv4Address | ipaddress.IPv6Address] = []
    for text in addresses:
        try:
            address = ipaddress.ip_address(text)
        except ValueError:
            continue
        if address.is_multicast or address.is_unspecified or (address.version == 6 and address.is_link_local):
            continue
        usable.append(address)
    return tuple(str(a) for a in sorted(usable, key=lambda a: a.version))


def _instance(name: str, service: str) -> str:
    return name.removesuffix(f".{service}")


def _port(port: int) -> int:
    return port if 0 < port < 65536 else 0


def _quoted(text: str | None) -> str:
    return "(none)" if not text else f"'{shown(text)}'"


def _unusable(announced: Announcement, why: str) -> Unusable:
    return Unusable(name=shown(announced.name), why=why)
