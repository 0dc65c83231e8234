"""Bytes of an MQTT connection cut into whole packets, however they arrive. No I/O."""

from __future__ import annotations

from dataclasses import dataclass

PUBLISH = 3


@dataclass(frozen=True, slots=True)
class Packet:
    """One whole packet, fixed header included (MQTT 3.1.1 and 5, section 2.1)."""

    data: bytes

    @property
    def kind(self) -> int:
        """The control packet type: 1 CONNECT, 3 PUBLISH, 8 SUBSCRIBE, 12 PINGREQ…"""
        return self.data[0] >> 4

    @property
    def loose(self) -> bool:
        """A PUBLISH at QoS 0: the one kind of packet that a network may lose, double or bring late unnoticed."""
        return self.kind == PUBLISH and self.qos == 0

    @property
    def qos(self) -> int:
        """The quality of service of a PUBLISH."""
        return (self.data[0] >> 1) & 3

    @property
    def retain(self) -> bool:
        """The retain flag of a PUBLISH."""
        return bool(self.data[0] & 1)

    @property
    def topic(self) -> str:
        """The topic of a PUBLISH; empty for any other packet."""
        if self.kind != PUBLISH:
            return ""
        at = _body_at(self.data)
        length = int.from_bytes(self.data[at : at + 2], "big")
        return self.data[at + 2 : at + 2 + length].decode()

    @property
    def payload(self) -> bytes:
        """The payload of a PUBLISH of MQTT 3.1.1 (which has no properties)."""
        at = _body_at(self.data) + 2 + len(self.topic.encode())
        return self.data[at + (2 if self.qos else 0) :]


class Packets:
    """Takes bytes as they come, gives whole packets."""

    def __init__(self) -> None:
        self._held = bytearray()

    def feed(self, data: bytes) -> list[Packet]:
        """The packets that these bytes complete. Raises `ValueError` for what is no MQTT."""
        self._held += data
        whole = []
        while (length := _length(self._held)) is not None and len(self._held) >= length:
            whole.append(Packet(bytes(self._held[:length])))
            del self._held[:length]
        return whole


def _length(data: bytes | bytearray) -> int | None:
    """The length of the packet that begins here, header included; `None` where its header is not complete yet."""
    remaining = 0
    for place, byte in enumerate(data[1:5]):
        remaining |= (byte & 0x7F) << (7 * place)
        if not byte & 0x80:
            return 2 + place + remaining
    if len(data) >= 5:
        raise ValueError("the remaining length of a packet has more than four bytes")
    return None


def _body_at(data: bytes) -> int:
    """Where the variable header begins: after the type and the last byte of the remaining length."""
    at = 1
    while data[at] & 0x80:
        at += 1
    return at + 1
