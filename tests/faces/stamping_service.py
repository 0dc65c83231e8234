"""A time stamp service of the tests' own: `openssl ts` behind HTTP on loopback, with certificates made here."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

CONFIGURATION = """
[tsa]
default_tsa = service
[service]
serial = {folder}/serial
signer_cert = {folder}/service.pem
signer_key = {folder}/service.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = {digests}
ess_cert_id_alg = sha256
"""


class StampingService:
    """The service: its folder has `root.pem`. What it answers next can be replaced; `rejecting.cnf` rejects SHA-256."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root.pem"
        self.url = ""
        self.instead: tuple[int, bytes] | None = None
        _make_certificates(folder)
        (folder / "serial").write_text("01\n", encoding="ascii")
        self.configuration = "tsa.cnf"
        for name, digests in ((self.configuration, "sha256, sha3-256"), ("rejecting.cnf", "sha512")):
            (folder / name).write_text(CONFIGURATION.format(folder=folder, digests=digests), encoding="utf-8")

    def answer(self, question: bytes) -> tuple[int, bytes]:
        if self.instead is not None:
            return self.instead
        (self.folder / "question").write_bytes(question)
        command = ["openssl", "ts", "-reply", "-config", self.configuration, "-queryfile", "question", "-out", "answer"]
        subprocess.run(command, cwd=self.folder, check=True, capture_output=True)
        return 200, (self.folder / "answer").read_bytes()


@contextmanager
def stamping_service(folder: Path) -> Iterator[StampingService]:
    """The service, for the length of a block."""
    service = StampingService(folder)

    class Asked(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.headers["Content-Type"] == "application/timestamp-query", "RFC 3161, section 3.4"
            status, answer = service.answer(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(status)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *words: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Asked) as server:
        service.url = f"http://127.0.0.1:{server.server_port}/stamp"
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield service
        finally:
            server.shutdown()
            thread.join()


def _make_certificates(folder: Path) -> None:
    root_key, key = (rsa.generate_private_key(public_exponent=65537, key_size=2048) for _ in range(2))
    root_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Root of the tests")])
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Time stamps of the tests")])
    now = datetime.now(UTC)

    def certificate(
        subject: x509.Name, public: rsa.RSAPublicKey, *extensions: tuple[x509.ExtensionType, bool]
    ) -> bytes:
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(root_name)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=30))
        )
        for extension, critical in extensions:
            builder = builder.add_extension(extension, critical=critical)
        return builder.sign(root_key, hashes.SHA256()).public_bytes(Encoding.PEM)

    authority = x509.KeyUsage(
        digital_signature=True,
        key_cert_sign=True,
        crl_sign=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )
    identifier = x509.SubjectKeyIdentifier.from_public_key(root_key.public_key())
    by = x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identifier)
    (folder / "root.pem").write_bytes(
        certificate(
            root_name,
            root_key.public_key(),
            (x509.BasicConstraints(ca=True, path_length=None), True),
            (authority, True),
            (identifier, False),
        )
    )
    (folder / "service.pem").write_bytes(
        certificate(
            name,
            key.public_key(),
            (x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING]), True),
            (x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False),
            (by, False),
        )
    )
    private = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (folder / "service.key").write_bytes(private)
