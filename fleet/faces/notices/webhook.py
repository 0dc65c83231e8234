"""A webhook: the document of a notice by HTTP POST, signed where there is a secret.

Headers: `Fleet-Notice` is the id, the same for each repetition; `Fleet-Signature` is `sha256=` and the HMAC-SHA256
(RFC 2104) of the body in hex. Success is a status of 200 to 299; redirects are not followed, answers are not read.
"""

from __future__ import annotations

import asyncio
import functools
import hashlib
import hmac
import ssl

import httpx

from fleet import __version__
from fleet.errors import NotDelivered
from fleet.faces.notices.config import ReceiverConfig, origin
from fleet.faces.notices.document import bytes_of
from fleet.faces.secrets import without_secrets
from fleet.model.names import shown
from fleet.model.receiver import ReceiverRules
from fleet.services.receivers import Parcel


class Webhook:
    """A receiver that is sent notices over HTTP. Certificates are checked against those that the system trusts."""

    def __init__(self, config: ReceiverConfig) -> None:
        self._config = config

    @property
    def rules(self) -> ReceiverRules:
        """What it is told, and when."""
        return self._config.rules

    @property
    def words(self) -> str:
        """Its host alone: the rest of a URL may be secret."""
        return self._config.target

    async def deliver(self, parcel: Parcel) -> None:
        """Send it. Raises `NotDelivered`, also where the whole exchange takes too long."""
        where, within_s = origin(self._config.webhook), self._config.timeout_s
        try:
            async with asyncio.timeout(within_s):
                status = await self._post(parcel)
        except TimeoutError:
            raise NotDelivered(f"no answer within {within_s:g} s", where=where) from None
        except httpx.ConnectError as error:  # says what a socket or TLS said, and nothing of the URL
            words = shown(without_secrets(str(error)), 200)
            raise NotDelivered(f"it cannot be connected to: {words}", where=where) from None
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError) as error:
            raise NotDelivered(f"what answers is no web server ({type(error).__name__})", where=where) from None
        if 300 <= status < 400:
            raise NotDelivered(f"it redirects ({status}), which is not followed", where=where)
        if not 200 <= status < 300:
            raise NotDelivered(f"it answers {status}", where=where)

    async def _post(self, parcel: Parcel) -> int:
        body = bytes_of(parcel)
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"fleet/{__version__}",
            "Fleet-Notice": parcel.id,
        }
        if (secret := self._config.secret()) is not None:
            headers["Fleet-Signature"] = signature(secret, body)
        url = self._config.webhook
        async with (
            httpx.AsyncClient(verify=_trusted(), trust_env=False, follow_redirects=False, timeout=None) as client,  # noqa: S113  # the caller has one for everything together
            client.stream("POST", url, content=body, headers=headers) as response,
        ):
            return response.status_code


def signature(secret: bytes, body: bytes) -> str:
    """What a receiver compares with, as the header has it."""
    return f"sha256={hmac.new(secret, body, hashlib.sha256).hexdigest()}"


@functools.cache
def _trusted() -> ssl.SSLContext:
    return ssl.create_default_context()
