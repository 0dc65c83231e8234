"""A list of addresses, for networks that mDNS does not cross: devices line by line, or a broker alone."""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import dataclass
from datetime import datetime

from fleet.discovery.broker_address import BrokerAddress
from fleet.errors import BadInput, Complaint
from fleet.model.inventory import Sighting
from fleet.model.names import ID_PATTERN, shown

_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_IPV6 = re.compile(r"\[([0-9A-Fa-f:.]{2,45})\](?::([0-9]{1,5}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressList:
    """What a list says; `complaints` tell what it gets wrong, and where."""

    sightings: tuple[Sighting, ...] = ()
    brokers: tuple[BrokerAddress, ...] = ()
    complaints: tuple[Complaint, ...] = ()


def read_addresses(text: str, file: str, at: datetime) -> AddressList:
    """Read lines of `id address[:port]`, or `mqtt://host:port` (`mqtts://`) for a broker; `#` begins a comment."""
    sightings: dict[str, Sighting] = {}
    brokers: list[BrokerAddress] = []
    complaints: list[Complaint] = []
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        try:
            if words[0].startswith("mqtt:") and len(words) == 1:
                brokers.append(BrokerAddress.parse(words[0]))
                continue
            sighting = _sighting(words, at, sightings)
            sightings[sighting.device] = sighting
        except BadInput as error:
            column = len(line) - len(line.lstrip()) + 1
            complaints.append(Complaint(file, number, column, str(error)))
    return AddressList(sightings=tuple(sightings.values()), brokers=tuple(brokers), complaints=tuple(complaints))


def _sighting(words: list[str], at: datetime, listed: Container[str]) -> Sighting:
    if len(words) != 2:
        raise BadInput("a line is a device id and its address, such as 'box-0412 192.0.2.17'")
    device, place = words
    if not re.fullmatch(ID_PATTERN, device):
        raise BadInput(f"'{shown(device)}' is not a device id (letters, digits, hyphens, at most 64)")
    if device in listed:
        raise BadInput(f"{device} is listed twice")
    address, port = _place(place)
    return Sighting(device=device, at=at, source="list", address=address, port=port)


def _place(text: str) -> tuple[str, int]:
    bracketed = _IPV6.fullmatch(text)
    if bracketed:
        host, digits = bracketed.group(1), bracketed.group(2)
    else:
        host, colon, digits = text.partition(":")
        if not _HOST.fullmatch(host) or (colon and not re.fullmatch(r"[0-9]{1,5}", digits)):
            raise BadInput(f"'{shown(text)}' is not an address, such as 192.0.2.17, 192.0.2.17:1883 or [2001:db8::1]")
    port = int(digits) if digits else 0
    if digits and not 0 < port < 65536:
        raise BadInput(f"there is no port {port}; ports are 1 to 65535")
    return host, port
