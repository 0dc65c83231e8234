"""The relay itself: packets stay whole, and only what may suffer suffers."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.brokers import LOOPBACK
from tests.network.packets import Packet, Packets
from tests.network.relay import Relay, Way, Weather


def length_of(remaining: int) -> bytes:
    """A remaining length as MQTT 3.1.1, section 2.2.3 writes it."""
    written = bytearray()
    while True:
        remaining, digit = divmod(remaining, 128)
        written.append(digit | (128 if remaining else 0))
        if not remaining:
            return bytes(written)


def publish(text: str, *, qos: int = 0, topic: str = "t", retain: bool = False, padding: int = 0) -> bytes:
    named = len(topic.encode()).to_bytes(2, "big") + topic.encode()
    body = named + (b"\x00\x07" if qos else b"") + text.encode() + b" " * padding
    return bytes([3 << 4 | qos << 1 | retain]) + length_of(len(body)) + body


PING, CONNECT = b"\xc0\x00", b"\x10\x03abc"


@given(
    st.lists(st.sampled_from([PING, CONNECT, publish("a"), publish("ä" * 90), publish("b", qos=1, padding=20_000)])),
    st.lists(st.integers(1, 3000)),
)
def test_any_cutting_of_the_bytes_gives_the_same_packets(sent: list[bytes], cuts: list[int]) -> None:
    data, got, packets = b"".join(sent), [], Packets()
    for size in [*cuts, len(data) or 1]:
        got += packets.feed(data[:size])
        data = data[size:]
    assert [p.data for p in got] == sent


def test_one_byte_at_a_time_gives_the_same_packets() -> None:
    sent, packets = [publish("x" * 200), PING], Packets()
    got = [p.data for byte in b"".join(sent) for p in packets.feed(bytes([byte]))]
    assert got == sent


@pytest.mark.parametrize("qos", [0, 1])
def test_a_publish_tells_its_parts(qos: int) -> None:
    packet = Packet(publish("grüße", qos=qos, topic="a/ü", retain=True, padding=200))
    assert (packet.topic, packet.qos, packet.retain, packet.loose) == ("a/ü", qos, True, qos == 0)
    assert packet.payload.decode().strip() == "grüße"
    assert Packet(PING).topic == ""
    assert not Packet(PING).loose


def test_what_is_no_mqtt_is_refused() -> None:
    with pytest.raises(ValueError, match="more than four bytes"):
        Packets().feed(b"\x30\xff\xff\xff\xff\xff")


@dataclass
class Ends:
    """A client and what stands for the broker, with a relay between them, and what each packet's tap told."""

    relay: Relay
    client: asyncio.StreamWriter
    client_reads: asyncio.StreamReader
    broker: asyncio.StreamWriter
    broker_reads: asyncio.StreamReader
    tapped: list[tuple[Way, Packet]] = field(default_factory=list)

    async def send(self, packets: list[bytes]) -> list[str]:
        """Send to the broker's end, and a PINGREQ after them; the payloads that arrived when that has."""
        self.client.write(b"".join([*packets, PING]))
        packed, got, seen = Packets(), list[str](), False
        while not seen or len(got) < self.awaited(len(packets)):
            async with asyncio.timeout(10):
                data = await self.broker_reads.read(65_536)
            for packet in packed.feed(data):
                seen = seen or packet.data == PING
                got += [packet.payload.decode().strip()] if packet.topic else []
        return got

    def awaited(self, sent: int) -> int:
        return sent - self.relay.lost + self.relay.doubled


@asynccontextmanager
async def ends(seed: int = 1) -> AsyncIterator[Ends]:
    arrived: asyncio.Future[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = asyncio.Future()
    server = await asyncio.start_server(lambda *both: arrived.set_result(both), LOOPBACK, 0)
    tapped: list[tuple[Way, Packet]] = []
    relay = Relay(server.sockets[0].getsockname()[1], seed, tap=lambda way, packet: tapped.append((way, packet)))
    async with relay.listening():
        reader, writer = await asyncio.open_connection(LOOPBACK, relay.port)
        async with asyncio.timeout(10):
            broker_reads, broker = await arrived
        yield Ends(relay, writer, reader, broker, broker_reads, tapped)
        for end in (writer, broker):
            end.close()
    server.close()
    await server.wait_closed()


def numbered(count: int, qos: int = 0) -> list[bytes]:
    return [publish(f"{n:03d}", qos=qos) for n in range(count)]


ALL = [f"{n:03d}" for n in range(60)]


async def test_in_calm_weather_all_pass_in_their_order_both_ways() -> None:
    async with ends() as both:
        assert await both.send(numbered(60)) == ALL
        both.broker.write(PING)
        async with asyncio.timeout(10):
            assert await both.client_reads.readexactly(2) == PING
        assert [way for way, _ in both.tapped] == ["up"] * 61 + ["down"]


async def test_packets_overtake_each_other_and_none_is_lost() -> None:
    async with ends() as both:
        both.relay.weather = Weather(overtake_ms=50)
        got = await both.send(numbered(60))
        assert got != ALL
        assert sorted(got) == ALL
        assert both.relay.overtaken > 0


async def test_what_has_a_higher_quality_of_service_keeps_its_order_and_is_never_lost() -> None:
    async with ends() as both:
        both.relay.weather = Weather(delay_ms=5, overtake_ms=50, lost=0.9, doubled=0.9)
        assert await both.send(numbered(60, qos=1)) == ALL


async def test_some_are_lost_and_some_are_doubled() -> None:
    async with ends() as both:
        both.relay.weather = Weather(lost=0.3)
        got = await both.send(numbered(60))
        assert got == [text for text in ALL if text in got]
        assert 0 < both.relay.lost == 60 - len(got) < 60
    async with ends() as both:
        both.relay.weather = Weather(doubled=0.3)
        got = await both.send(numbered(60))
        assert sorted(set(got)) == ALL
        assert 0 < both.relay.doubled == len(got) - 60 < 60


async def test_the_same_seed_loses_the_same() -> None:
    async def lost(seed: int) -> list[str]:
        async with ends(seed) as both:
            both.relay.weather = Weather(lost=0.5)
            return await both.send(numbered(60))

    assert await lost(7) == await lost(7) != await lost(8)


async def test_every_packet_is_late_by_the_delay_and_not_by_the_sum_of_delays() -> None:
    """The one limit is only there so that a failure ends: the sum of the delays would be a minute."""
    async with ends() as both, asyncio.timeout(20):
        both.relay.weather = Weather(delay_ms=1000)
        delay = asyncio.create_task(asyncio.sleep(1))
        await asyncio.sleep(0)  # it runs from before the first packet is sent
        both.client.write(b"".join(numbered(60)))
        first = await both.broker_reads.read(1)
        assert delay.done(), "a packet came too early"
        rest = await both.broker_reads.readexactly(len(b"".join(numbered(60))) - 1)
        assert first + rest == b"".join(numbered(60))


async def test_a_cut_is_felt_at_both_ends_and_garbage_cuts_too() -> None:
    def cut(both: Ends) -> None:
        both.relay.cut()

    def talk_nonsense(both: Ends) -> None:
        both.client.write(b"\xff" * 10)

    causes: list[Callable[[Ends], None]] = [cut, talk_nonsense]
    for cause in causes:
        async with ends() as both:
            cause(both)
            for reader in (both.client_reads, both.broker_reads):
                try:
                    async with asyncio.timeout(10):
                        assert await reader.read() == b""
                except ConnectionError:
                    continue


async def test_a_real_client_speaks_through_it(broker_port: int) -> None:
    relay = Relay(broker_port, 3)
    async with relay.listening():
        relay.weather = Weather(delay_ms=20, overtake_ms=20, doubled=0.5)
        async with aiomqtt.Client(LOOPBACK, relay.port) as client, asyncio.timeout(10):
            await client.subscribe("t", qos=1)
            await client.publish("t", "x" * 50_000, qos=1)
            message = await anext(aiter(client.messages))
            assert message.payload == b"x" * 50_000
