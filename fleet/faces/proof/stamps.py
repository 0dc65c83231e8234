"""Time stamps (RFC 3161): asked for over HTTP, and checked offline with the certificate of the service."""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

import httpx
from cryptography.x509 import Certificate, load_pem_x509_certificates
from rfc3161_client import (
    HashAlgorithm,
    PKIStatus,
    TimestampRequestBuilder,
    TimeStampResponse,
    VerificationError,
    VerifierBuilder,
    decode_timestamp_response,
)

from fleet.errors import BadInput, FleetError
from fleet.faces.secrets import without_secrets
from fleet.model.names import shown

ANSWER_WITHIN_S: Final = 10.0
LARGEST_ANSWER: Final = 100_000
LARGEST_FILE: Final = 1_000_000
SHA256_OID: Final = "2.16.840.1.101.3.4.2.1"


class HttpStamper:
    """A time stamp service at a URL."""

    def __init__(self, url: str) -> None:
        self._url = url
        self.name = without_secrets(url)

    async def stamp(self, data: bytes) -> str:
        """The service's answer for some bytes, base64. Raises `FleetError` where there is none that is for them."""
        request = TimestampRequestBuilder().data(data).hash_algorithm(HashAlgorithm.SHA256).build()
        answer = await self._ask(request.as_bytes())
        try:
            stamp = decode_timestamp_response(answer)
            granted = PKIStatus(stamp.status) in (PKIStatus.GRANTED, PKIStatus.GRANTED_WITH_MODS)
            fits = granted and stamp.tst_info.nonce == request.nonce and _is_for(stamp, data)
        except ValueError:
            raise self._trouble("it answers what is no time stamp") from None
        if not fits:
            raise self._trouble("it refused" if not granted else "its time stamp is for something else")
        return base64.b64encode(answer).decode("ascii")

    async def _ask(self, question: bytes) -> bytes:
        headers = {"Content-Type": "application/timestamp-query"}
        try:
            async with (
                httpx.AsyncClient(timeout=ANSWER_WITHIN_S) as client,
                client.stream("POST", self._url, content=question, headers=headers) as response,
            ):
                if response.status_code != httpx.codes.OK:
                    raise self._trouble(f"it answers with status {response.status_code}")
                answer = b""
                async for part in response.aiter_bytes():
                    answer += part
                    if len(answer) > LARGEST_ANSWER:
                        raise self._trouble("its answer is larger than a time stamp can be")
                return answer
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise self._trouble(f"it does not answer ({type(error).__name__})") from None

    def _trouble(self, what: str) -> FleetError:
        return FleetError(
            f"the time stamp service cannot be used: {what}",
            where=self.name,
            remedy="`fleet snapshot witness SNAPSHOT --time-stamp` asks again.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StampChecked:
    """What became of checking a time stamp: its time as it says, whether it fits the bytes, and whose it is.

    `by_service` is `None` where no certificate was given. `fault` says what is wrong, if anything.
    """

    at: datetime | None
    by_service: bool | None
    fault: str = ""


def check_stamp(token: object, data: bytes, certificates: tuple[Certificate, ...]) -> StampChecked:
    """Check a time stamp for these bytes offline. Whatever it holds, this returns."""
    try:
        stamp = decode_timestamp_response(base64.b64decode(str(token), validate=True))
        at, fits = stamp.tst_info.gen_time, _is_for(stamp, data)
    except (ValueError, binascii.Error):
        return StampChecked(at=None, by_service=None, fault="it is no time stamp")
    if not fits:
        return StampChecked(at=at, by_service=None, fault="it is for something else")
    if not certificates:
        return StampChecked(at=at, by_service=None)
    builder = VerifierBuilder()
    for certificate in certificates:
        builder = builder.add_root_certificate(certificate)
    try:
        builder.build().verify(stamp, sha256(data).digest())
    except (VerificationError, ValueError) as error:
        words = f"it is not by the service whose certificate was given ({shown(str(error), 200)})"
        return StampChecked(at=at, by_service=False, fault=words)
    return StampChecked(at=at, by_service=True)


def read_certificates(path: Path) -> tuple[Certificate, ...]:
    """The certificates in a PEM file. Raises `BadInput`."""
    try:
        with path.open("rb") as file:
            return tuple(load_pem_x509_certificates(file.read(LARGEST_FILE)))
    except OSError as error:
        raise BadInput(f"the certificate cannot be read: {error.strerror}", where=str(path)) from None
    except ValueError:
        raise BadInput("this holds no certificate in PEM", where=str(path)) from None


def _is_for(stamp: TimeStampResponse, data: bytes) -> bool:
    imprint = stamp.tst_info.message_imprint
    return imprint.hash_algorithm.dotted_string == SHA256_OID and imprint.message == sha256(data).digest()
