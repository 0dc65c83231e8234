"""TLS to the broker: whom we trust, and in words why it did not come about. No setting makes it check less."""

from __future__ import annotations

import ssl
from typing import Final

from fleet.discovery.broker_address import BrokerAddress
from fleet.errors import BrokerDown
from fleet.model.names import shown

EXPIRED: Final = 10
NOT_YET_VALID: Final = 9
OTHER_NAME: Final = frozenset({62, 64})
UNKNOWN_ISSUER: Final = frozenset({18, 19, 20, 21})
"""OpenSSL, X509_STORE_CTX_get_error(3): errors of verifying, by number."""


def tls_context(broker: BrokerAddress) -> ssl.SSLContext:
    """What checks the certificate and the name of a broker with TLS, 1.2 or later.

    It trusts `broker.ca` alone, or whom the system trusts where that is not set. It is read anew each time, since
    certificates are renewed while a daemon runs. Raises `BrokerDown` where the file cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=broker.ca)
    except ssl.SSLError:
        raise BrokerDown("there is no certificate in PEM in this file", where=str(broker.ca)) from None
    except OSError as error:
        words = f"the certificates to trust cannot be read: {error.strerror}"
        raise BrokerDown(words, where=str(broker.ca)) from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def handshake_trouble(error: OSError, broker: BrokerAddress) -> BrokerDown | None:
    """What an error of connecting says about TLS; nothing where it was not about that."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _not_trusted(error, broker)
    if isinstance(error, ssl.SSLError) and "ALERT" in (error.reason or ""):
        return BrokerDown(f"{broker} refuses our TLS ({shown(str(error.reason), 80)})")
    if isinstance(error, ssl.SSLError | ConnectionResetError | BrokenPipeError) or "handshake" in str(error):
        return BrokerDown(f"{broker} does not answer by TLS", remedy="Is this its port without TLS, for mqtt://?")
    return None


def _not_trusted(error: ssl.SSLCertVerificationError, broker: BrokerAddress) -> BrokerDown:
    code = error.verify_code
    if code == EXPIRED:
        return BrokerDown(f"the certificate of {broker} has expired", remedy="Renew it there, or set the clock here.")
    if code == NOT_YET_VALID:
        return BrokerDown(f"the certificate of {broker} is not valid yet", remedy="Is the clock right, here and there?")
    if code in OTHER_NAME:
        words = f"the certificate of {broker} is for another name"
        return BrokerDown(words, remedy="Name the broker as its certificate does.")
    if code in UNKNOWN_ISSUER and broker.ca is None:
        words = f"nobody whom this machine trusts vouches for the certificate of {broker}"
        return BrokerDown(words, remedy="`broker_ca` names a file with the certificates to trust instead.")
    if code in UNKNOWN_ISSUER:
        return BrokerDown(f"the certificate of {broker} is not vouched for by those in {broker.ca}")
    return BrokerDown(f"the certificate of {broker} cannot be trusted: {shown(error.verify_message, 100)}")
