"""Serving other machines: over TLS, to who has a token, and an open stream that ends with it."""

from __future__ import annotations

import hashlib
import itertools
import json
import socket
import ssl
import stat
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from fleet.app.reaching import outside_of
from fleet.errors import BadInput, Refused
from fleet.faces.api.serving import Outside, serve, tls_of
from fleet.faces.certificate_check import check_certificate
from fleet.faces.certificates import new_certificate, read_certificate
from fleet.faces.cli.client import find
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.model.access import Role
from fleet.reconcile.scope import Scope
from fleet.services.access import AskedToken
from fleet.services.planning import Asked
from tests.faces.access_scene import HOME_TOKEN, OWN, Venue, a_venue
from tests.faces.daemon_in_process import CommandLine, RunningDaemon


@pytest.fixture
async def venue(tmp_path: Path) -> AsyncIterator[Venue]:
    async with a_venue(tmp_path) as venue:
        yield venue


def certificate_in(folder: Path, *hosts: str, now: datetime | None = None) -> Outside:
    """A certificate and its key, as the command makes them."""
    pair = new_certificate(hosts or ("127.0.0.1", "localhost"), now or datetime.now(UTC))
    files = folder / "certificate.pem", folder / "key.pem"
    for file, data in zip(files, pair, strict=True):
        file.write_bytes(data)
        file.chmod(0o600)
    return Outside(address="127.0.0.1", certificate=files[0], key=files[1])


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


async def test_others_are_served_over_tls_and_this_machine_without_it(venue: Venue, tmp_path: Path) -> None:
    outside, port = certificate_in(tmp_path), free_port()
    trusting = ssl.create_default_context(cafile=str(outside.certificate))
    async with serve(venue.api, port, outside=outside) as here:
        assert here.startswith("http://127.0.0.1:")
        assert not here.endswith(f":{port}"), "the port that was asked for is the outside's"
        home = {"Authorization": f"Bearer {HOME_TOKEN}"}
        async with httpx.AsyncClient(base_url=here, trust_env=False, headers=home) as local:
            assert (await local.get("/v1/status")).status_code == 200
        there = f"https://127.0.0.1:{port}"
        async with httpx.AsyncClient(base_url=there, verify=trusting, trust_env=False) as client:
            assert (await client.get("/v1/status")).status_code == 401
            signed = await client.post("/v1/session", json={"token": await venue.secret("operator")})
            assert SimpleCookie(signed.headers["set-cookie"])["fleet_session"]["secure"] is True
            headers = {"Fleet-CSRF": signed.json()["csrf"], "Origin": there}
            asked = {"kind": "recall", "room": OWN}
            assert (await client.post("/v1/plans", json=asked, headers=headers)).status_code == 200
            headers["Origin"] = f"http://127.0.0.1:{port}"
            assert (await client.post("/v1/plans", json=asked, headers=headers)).status_code == 403
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            async with httpx.AsyncClient(trust_env=False) as strict:
                await strict.get(there)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_tls_1_2_and_1_3_are_spoken(venue: Venue, tmp_path: Path, version: ssl.TLSVersion) -> None:
    outside, port = certificate_in(tmp_path), free_port()
    context = ssl.create_default_context(cafile=str(outside.certificate))
    context.minimum_version = context.maximum_version = version
    client = httpx.AsyncClient(verify=context, trust_env=False)
    async with serve(venue.api, port, outside=outside), client:
        assert (await client.get(f"https://localhost:{port}/v1/status")).status_code == 401


def test_tls_below_1_2_is_not_offered(tmp_path: Path) -> None:
    assert tls_of(certificate_in(tmp_path)).minimum_version == ssl.TLSVersion.TLSv1_2


async def test_a_forwarded_address_is_not_believed(venue: Venue) -> None:
    async with serve(venue.api) as here, httpx.AsyncClient(base_url=here, trust_env=False) as client:
        forged = {"X-Forwarded-For": "203.0.113.9", "X-Forwarded-Proto": "https", "Forwarded": "for=203.0.113.9"}
        for _ in range(5):
            await client.post("/v1/session", json={"token": "wrong"}, headers=forged)
        assert (await client.post("/v1/session", json={"token": "wrong"})).status_code == 429
    await venue.services.audit.settled()
    assert {e.source for e in await venue.services.audit.entries() if e.what == "sign-in"} == {"127.0.0.1"}


@pytest.mark.parametrize("broken", ["no file", "no certificate", "another key", "encrypted"])
async def test_a_certificate_that_cannot_be_used_is_told_in_words(venue: Venue, tmp_path: Path, broken: str) -> None:
    outside = certificate_in(tmp_path)
    if broken == "no file":
        outside.key.unlink()
    elif broken == "no certificate":
        outside.certificate.write_text("nothing")
    elif broken == "another key":
        outside.key.write_bytes(new_certificate(["x.example"], datetime.now(UTC))[1])
    else:
        key = serialization.load_pem_private_key(outside.key.read_bytes(), None)
        locked = serialization.BestAvailableEncryption(b"a password")
        pem, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
        outside.key.write_bytes(key.private_bytes(pem, form, locked))
    with pytest.raises(BadInput, match="fleet access certificate"):
        async with serve(venue.api, outside=outside):
            pass


async def test_another_address_demands_tls_and_a_token_and_says_how_to_make_them(venue: Venue, tmp_path: Path) -> None:
    access, outside = venue.services.access, certificate_in(tmp_path)
    alone = DaemonConfig(home=tmp_path)
    assert await outside_of(alone, access) is None
    assert await outside_of(replace(alone, bind="127.0.0.2"), access) is None
    bound = replace(alone, bind="192.0.2.1")
    with pytest.raises(Refused) as refused:
        await outside_of(bound, access)
    for words in ("tls_certificate", "tls_key", "access token", "fleet access make", "fleet access certificate"):
        assert words in str(refused.value)
    bound = replace(bound, tls_certificate=outside.certificate, tls_key=outside.key)
    with pytest.raises(Refused, match="which demands what is not there: an access token that is not expired"):
        await outside_of(bound, access)
    short = AskedToken(name="Short", role="auditor", life=timedelta(days=1))
    await access.make(short, "ines")
    assert await outside_of(bound, access) == replace(outside, address="192.0.2.1")
    venue.now += timedelta(days=1)
    with pytest.raises(Refused):
        await outside_of(bound, access)


@contextmanager
def stream(daemon: RunningDaemon, headers: dict[str, str]) -> Iterator[Iterator[str]]:
    url = find(daemon.home).url
    with (
        httpx.Client(base_url=url, trust_env=False, timeout=20) as client,
        client.stream("GET", "/v1/events", headers=headers) as answer,
    ):
        assert answer.status_code == 200
        yield answer.iter_lines()


def ended(lines: Iterator[str]) -> bool:
    """Whether the stream ends, rather than going on with a comment every 15 seconds."""
    try:
        return len(list(itertools.islice(lines, 10))) < 10
    except httpx.RemoteProtocolError:  # it is cut, in the midst of nothing
        return True


def token_of(daemon: RunningDaemon, name: str, role: Role) -> tuple[str, str]:
    rooms = [OWN] if role == "operator" else []
    made = daemon.do(daemon.services.access.make(AskedToken(name=name, role=role, rooms=rooms), "ines"))
    return made[0].id, made[1]


def cookie_of(daemon: RunningDaemon, secret: str) -> tuple[str, dict[str, Any]]:
    answer = httpx.post(f"{find(daemon.home).url}/v1/session", json={"token": secret}, trust_env=False)
    return answer.cookies["fleet_session"], answer.json()


@pytest.mark.parametrize("by", ["token", "session"])
def test_an_open_stream_ends_when_its_token_is_revoked(daemon: RunningDaemon, by: str) -> None:
    token, secret = token_of(daemon, "Tablet", "operator")
    headers = {"Authorization": f"Bearer {secret}"}
    if by == "session":
        headers = {"Cookie": f"fleet_session={cookie_of(daemon, secret)[0]}"}
    with stream(daemon, headers) as lines:
        assert any("begin" in line for line in lines)
        daemon.do(daemon.services.access.revoke(token, "ines"))
        assert ended(lines)
    assert httpx.get(f"{find(daemon.home).url}/v1/events", headers=headers, trust_env=False).status_code == 401


def test_an_open_stream_ends_with_a_sign_out_and_another_browsers_does_not(daemon: RunningDaemon) -> None:
    _, secret = token_of(daemon, "Tablet", "operator")
    (cookie, session), (other, _) = cookie_of(daemon, secret), cookie_of(daemon, secret)
    url = find(daemon.home).url
    with (
        stream(daemon, {"Cookie": f"fleet_session={cookie}"}) as lines,
        stream(daemon, {"Cookie": f"fleet_session={other}"}) as others,
    ):
        assert any("begin" in line for line in lines)
        assert any("begin" in line for line in others)
        headers = {"Cookie": f"fleet_session={cookie}", "Fleet-CSRF": session["csrf"], "Origin": url}
        assert httpx.delete(f"{url}/v1/session", headers=headers, trust_env=False).status_code == 200
        assert ended(lines)
        daemon.touched("box-4")
        daemon.do(moved(daemon))
        assert any('"room"' in line and OWN in line for line in others)


async def moved(daemon: RunningDaemon) -> None:
    asked = Asked(kind="apply", scope=Scope(rooms=(OWN,)))
    plan = await daemon.services.changes.plan(asked)
    guards = sorted({hit.guard for hit in plan.guards})
    record = await daemon.services.changes.start(asked, digest=plan.digest, who="ines", why="", allow=guards)
    await daemon.services.changes.wait(record.id, 20)


def test_an_operator_is_told_of_what_happens_in_their_rooms_alone(daemon: RunningDaemon) -> None:
    _, secret = token_of(daemon, "Tablet", "operator")
    with stream(daemon, {"Authorization": f"Bearer {secret}"}) as lines:
        assert any("begin" in line for line in lines)
        daemon.touched("box-1")
        daemon.touched("box-4")
        daemon.do(moved(daemon))
        told = []
        for line in lines:
            if line.startswith("data:"):
                told.append(line)
                if '"state":"kept"' in line.replace(" ", ""):
                    break
    assert told
    assert [line for line in told if "weir-hall" in line] == []


def test_a_certificate_names_its_hosts_and_is_good_for_two_years() -> None:
    now = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)
    pem, _ = new_certificate(["fleet.example", "192.0.2.1", "2001:db8::1", "fleet.example"], now)
    found = x509.load_pem_x509_certificate(pem)
    key = found.public_key()
    assert isinstance(key, ec.EllipticCurvePublicKey)
    assert key.curve.name == "secp256r1"
    names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["fleet.example"]
    assert [str(a) for a in names.get_values_for_type(x509.IPAddress)] == ["192.0.2.1", "2001:db8::1"]
    assert found.not_valid_after_utc - now == timedelta(days=730)


@pytest.mark.parametrize(
    "host", ["", "https://x.example", "x y", "x.example:80", "-x", "x..example", "x" * 64, "é.example"]
)
def test_what_is_no_host_gets_no_certificate(host: str) -> None:
    with pytest.raises(BadInput):
        new_certificate([host], datetime.now(UTC))


def test_the_self_check_looks_at_the_certificate_and_its_key(tmp_path: Path) -> None:
    now = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)
    outside = certificate_in(tmp_path, "fleet.example", now=now)
    files = outside.certificate, outside.key

    def states(at: datetime) -> list[str]:
        return [f"{r.check}: {r.state.value}" for r in check_certificate("192.0.2.1", *files, at)]

    assert states(now) == ["certificate: ok", "certificate key: ok"]
    assert states(now + timedelta(days=701)) == ["certificate: warning", "certificate key: ok"]
    assert states(now + timedelta(days=730)) == ["certificate: trouble", "certificate key: ok"]
    outside.key.chmod(0o640)
    assert states(now)[1] == "certificate key: warning"
    outside.key.chmod(0o644)
    assert states(now)[1] == "certificate key: trouble"
    outside.certificate.write_text("nothing")
    assert states(now)[0] == "certificate: trouble"
    assert check_certificate("127.0.0.1", None, None, now) == []
    assert [r.state.value for r in check_certificate("192.0.2.1", None, None, now)] == ["trouble"]
    assert [r.state.value for r in check_certificate("127.0.0.1", files[0], None, now)] == ["trouble"]


def test_the_command_makes_a_certificate_for_its_owner_alone(fleet: CommandLine, home: Path) -> None:
    said = fleet("access", "certificate", "--for", "fleet.example", "--for", "192.0.2.1", "--json")
    assert said.code == 0, said.err
    told = json.loads(said.out)
    assert told["hosts"] == ["fleet.example", "192.0.2.1"]
    files = [Path(told["certificate"]), Path(told["key"])]
    assert [stat.S_IMODE(file.stat().st_mode) for file in files] == [0o600, 0o600]
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    assert told["sha256"] == read_certificate(files[0]).sha256
    openssl = ssl.PEM_cert_to_DER_cert(files[0].read_text())
    assert hashlib.sha256(openssl).hexdigest() == told["sha256"].replace(":", "").lower()
    again = fleet("access", "certificate", "--for", "fleet.example")
    assert (again.code, "--renew" in again.err) == (2, True)
    renewed = fleet("access", "certificate", "--for", "fleet.example", "--renew")
    assert renewed.code == 0
    assert told["sha256"] not in renewed.out
    assert "tls_key = " in renewed.err
    assert sorted(file.name for file in home.iterdir()) == ["certificate-key.pem", "certificate.pem"]
    assert fleet("access", "certificate", "--for", "https://x").code == 2
