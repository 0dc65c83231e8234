"""A daemon in this process that other machines reach over TLS, and the command line of a laptop beside it."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from fleet.faces.api.serving import Outside, serve
from fleet.faces.certificates import new_certificate, read_certificate
from fleet.faces.cli.sign_in_file import SignIn
from fleet.model.access import Role
from fleet.services.access import AskedToken
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said
from tests.faces.test_serving_others import free_port

ADDRESS = "127.0.0.2"
LOGIN = "laptop-login"


@dataclass(frozen=True)
class Reached:
    """Where a daemon is reached from outside, and what it shows there."""

    url: str
    certificate: Path

    @property
    def fingerprint(self) -> str:
        return read_certificate(self.certificate).sha256


def own_certificate(folder: Path, *hosts: str, now: datetime | None = None) -> Outside:
    """A self-signed certificate, as `fleet access certificate` makes one."""
    folder.mkdir(exist_ok=True)
    return _written(folder, *new_certificate(hosts or (ADDRESS,), now or datetime.now(UTC)))


def signed_certificate(folder: Path) -> tuple[Outside, Path]:
    """A certificate that an authority of the site signed, and that authority's."""
    folder.mkdir(exist_ok=True)
    now, authority_key, key = datetime.now(UTC), ec.generate_private_key(ec.SECP256R1()), None
    authority = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "An authority of the site")])
    about = (
        x509.CertificateBuilder().issuer_name(authority).not_valid_before(now).not_valid_after(now + timedelta(days=9))
    )
    root = (
        about.subject_name(authority)
        .public_key(authority_key.public_key())
        .serial_number(x509.random_serial_number())
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    own, key = new_certificate([ADDRESS], now)
    asked = x509.load_pem_x509_certificate(own)
    leaf = about.subject_name(asked.subject).public_key(asked.public_key()).serial_number(x509.random_serial_number())
    for extension in asked.extensions:
        leaf = leaf.add_extension(extension.value, critical=extension.critical)
    signed = leaf.sign(authority_key, hashes.SHA256())
    file = folder / "authority.pem"
    file.write_bytes(root.public_bytes(serialization.Encoding.PEM))
    return _written(folder, signed.public_bytes(serialization.Encoding.PEM), key), file


def _written(folder: Path, certificate: bytes, key: bytes) -> Outside:
    files = folder / "certificate.pem", folder / "key.pem"
    for file, data in zip(files, (certificate, key), strict=True):
        file.write_bytes(data)
        file.chmod(0o600)
    return Outside(address=ADDRESS, certificate=files[0], key=files[1])


@contextmanager
def reached(daemon: RunningDaemon, outside: Outside, port: int = 0) -> Iterator[Reached]:
    """Let other machines reach a daemon for the length of the block."""
    port, stack = port or free_port(), AsyncExitStack()
    daemon.do(stack.enter_async_context(serve(daemon.api, port, outside=outside)))
    try:
        yield Reached(f"https://{ADDRESS}:{port}", outside.certificate)
    finally:
        daemon.do(stack.aclose())


def token_of(daemon: RunningDaemon, name: str, role: Role, rooms: Sequence[str] = ("foyer",)) -> str:
    asked = AskedToken(name=name, role=role, rooms=rooms if role == "operator" else ())
    return daemon.do(daemon.services.access.make(asked, "ines"))[1]


def a_sign_in(url: str) -> SignIn:
    """A sign-in at a daemon that nobody has to ask."""
    expires = datetime(2036, 5, 17, tzinfo=UTC)
    return SignIn(url=url, token=f"fleet_{'T' * 43}", name="Ana", role="integrator", expires=expires)


class Laptop:
    """The commands of somebody else's home, on a machine that has another login."""

    def __init__(self, home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.home = home
        self._monkeypatch = monkeypatch
        self._fleet = CommandLine(home, monkeypatch, capsys)

    def __call__(self, *arguments: str, given: str = "") -> Said:
        self._monkeypatch.setenv("FLEET_HOME", str(self.home))
        self._monkeypatch.setenv("LOGNAME", LOGIN)
        self._monkeypatch.setattr("sys.stdin", io.StringIO(given))
        return self._fleet(*arguments)

    def sign_in(self, at: Reached, token: str, *more: str) -> Said:
        return self("sign-in", at.url, *(more or ("--certificate", str(at.certificate))), given=f"{token}\n")


@pytest.fixture
def laptop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Laptop:
    """A laptop that is signed in nowhere yet."""
    for name in [n for n in os.environ if n.startswith("FLEET_") and n not in {"FLEET_TEST_ALL", "FLEET_GOLDEN"}]:
        monkeypatch.delenv(name)
    return Laptop(tmp_path / "laptop", monkeypatch, capsys)
