"""TLS to a real broker: who is trusted and who is not, the words for it, and everything of a driver over it."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import aiomqtt
import pytest

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.client import new_client
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.tls import handshake_trouble
from fleet.errors import BrokerDown
from fleet.faces.certificates import new_certificate
from tests.authorities import DAY, Authority
from tests.brokers import LOOPBACK, free_port, mosquitto

KEPT = 1000
SOON = replace(Timings(), connect_s=3)


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "authority")


def at(port: int, ca: Path | None, host: str = LOOPBACK) -> BrokerAddress:
    return BrokerAddress.parse(f"mqtts://{host}:{port}", ca)


async def connected(broker: BrokerAddress) -> None:
    async with new_client(broker, "fleet-tls-test", SOON):
        pass


async def refused(broker: BrokerAddress) -> str:
    with pytest.raises(BrokerDown) as wrong:
        await connected(broker)
    return str(wrong.value)


@pytest.mark.parametrize("host", [LOOPBACK, "localhost"])
async def test_a_broker_that_somebody_trusted_vouches_for_is_met(
    host: str, authority: Authority, tmp_path: Path
) -> None:
    with mosquitto(tmp_path, more=authority.vouch(LOOPBACK, "localhost")) as port:
        async with new_client(at(port, authority.certificate, host), "fleet-tls-test", SOON) as client:
            await client.subscribe("a/topic", qos=1)
            await client.publish("a/topic", b"words", qos=1)
            message = await anext(aiter(client.messages))
            assert message.payload == b"words"


async def test_nobody_is_trusted_whom_neither_the_system_nor_the_file_knows(
    authority: Authority, tmp_path: Path
) -> None:
    other = Authority(tmp_path / "other", "another")
    with mosquitto(tmp_path, more=authority.vouch(LOOPBACK)) as port:
        words = await refused(at(port, None))
        assert words.startswith(f"nobody whom this machine trusts vouches for the certificate of mqtts://{LOOPBACK}")
        assert "`broker_ca` names a file" in words
        words = await refused(at(port, other.certificate))
        assert (
            words == f"the certificate of mqtts://{LOOPBACK}:{port} is not vouched for by those in {other.certificate}"
        )


async def test_an_authority_of_the_system_is_trusted_without_a_file(
    authority: Authority, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OpenSSL's own variable stands in for the folder of the system."""
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.certificate))
    other = Authority(tmp_path / "other", "another")
    with mosquitto(tmp_path, more=authority.vouch(LOOPBACK)) as port:
        await connected(at(port, None))
        assert "not vouched for" in await refused(at(port, other.certificate)), "a file stands instead of the system"


async def test_a_certificate_of_its_own_making_is_trusted_where_it_is_the_file(tmp_path: Path) -> None:
    certificate, key = new_certificate([LOOPBACK], datetime.now(UTC))
    (tmp_path / "own.pem").write_bytes(certificate)
    (tmp_path / "own.key").write_bytes(key)
    with mosquitto(tmp_path, more=f"certfile {tmp_path}/own.pem\nkeyfile {tmp_path}/own.key\n") as port:
        await connected(at(port, tmp_path / "own.pem"))
        assert "nobody whom this machine trusts" in await refused(at(port, None))


@pytest.mark.parametrize(
    ("hosts", "valid", "words"),
    [
        (["hall.example"], (-DAY, DAY), "is for another name. Name the broker as its certificate does."),
        (["127.0.0.2"], (-DAY, DAY), "is for another name. Name the broker as its certificate does."),
        ([LOOPBACK], (-2 * DAY, -DAY), "has expired. Renew it there, or set the clock here."),
        ([LOOPBACK], (DAY, 2 * DAY), "is not valid yet. Is the clock right, here and there?"),
    ],
    ids=["another name", "another address", "expired", "not valid yet"],
)
async def test_a_certificate_that_proves_nothing_is_refused_in_words(
    hosts: list[str], valid: tuple[timedelta, timedelta], words: str, authority: Authority, tmp_path: Path
) -> None:
    with mosquitto(tmp_path, more=authority.vouch(*hosts, valid=valid)) as port:
        said = await refused(at(port, authority.certificate))
        assert said == f"the certificate of mqtts://{LOOPBACK}:{port} {words}"


async def test_tls_to_a_port_without_it_is_told(authority: Authority, tmp_path: Path) -> None:
    with mosquitto(tmp_path) as port:
        words = await refused(at(port, authority.certificate))
    assert words == f"mqtts://{LOOPBACK}:{port} does not answer by TLS. Is this its port without TLS, for mqtt://?"


@asynccontextmanager
async def answering(what: bytes | None) -> AsyncIterator[int]:
    """Something that answers everything in this way, or (`None`) never."""
    done = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        if what is None:
            await done.wait()
        else:
            writer.write(what)
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, LOOPBACK, 0)
    async with server:
        yield server.sockets[0].getsockname()[1]
        done.set()


@pytest.mark.parametrize(
    "what",
    [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00\x00", b"", None],
    ids=["http", "mqtt", "hangs up", "mute"],
)
async def test_what_speaks_no_tls_is_told(what: bytes | None, authority: Authority) -> None:
    async with answering(what) as port:
        assert "does not answer by TLS" in await refused(at(port, authority.certificate))


async def test_a_broker_that_is_not_there_is_no_matter_of_tls(authority: Authority) -> None:
    with pytest.raises(aiomqtt.MqttError, match="refused"):
        await connected(at(free_port(), authority.certificate))


async def test_certificates_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").write_text("", encoding="utf-8")
    assert "No such file" in await refused(at(1, tmp_path / "none.pem"))
    assert f"{tmp_path / 'empty.pem'}: there is no certificate in PEM in this file" in await refused(
        at(1, tmp_path / "empty.pem")
    )


def test_a_refusal_of_the_broker_is_told_as_its_own() -> None:
    error = ssl.SSLError(1, "[SSL: TLSV1_ALERT_PROTOCOL_VERSION] tlsv1 alert protocol version")
    error.reason = "TLSV1_ALERT_PROTOCOL_VERSION"
    trouble = handshake_trouble(error, at(8883, None))
    assert str(trouble) == f"mqtts://{LOOPBACK}:8883 refuses our TLS (TLSV1_ALERT_PROTOCOL_VERSION)"
    assert handshake_trouble(ConnectionRefusedError(111, "refused"), at(8883, None)) is None


async def test_a_flood_of_kept_messages_comes_whole_over_tls(authority: Authority, tmp_path: Path) -> None:
    """More than a record of TLS holds: what is decrypted already wakes no reader of the socket."""
    tls_port = free_port()
    more = f"listener {tls_port} {LOOPBACK}\n{authority.vouch(LOOPBACK)}"
    with mosquitto(tmp_path, more=more) as port:
        async with new_client(BrokerAddress(host=LOOPBACK, port=port), "fleet-tls-writer", SOON) as writer:
            for number in range(KEPT):
                await writer.publish(f"kept/{number}", b"x" * 3000, qos=0, retain=True)
            await writer.publish("kept/last", b"", qos=1)
        left = {f"kept/{number}" for number in range(KEPT)}
        async with new_client(at(tls_port, authority.certificate), "fleet-tls-test", SOON) as client:
            await client.subscribe("kept/#", qos=0)
            async with asyncio.timeout(30):
                async for message in client.messages:
                    left.discard(message.topic.value)
                    if not left:
                        break


@pytest.mark.parametrize("host", [".hall", "a..b", "x" * 64 + ".example"])
@pytest.mark.parametrize("scheme", ["mqtt", "mqtts"])
async def test_a_name_that_no_host_can_have_is_told(scheme: str, host: str) -> None:
    broker = BrokerAddress.parse(f"{scheme}://{host}:1")
    assert await refused(broker) == f"{host} is no name of a host"
