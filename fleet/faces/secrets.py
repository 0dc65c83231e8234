"""Text without its secrets, for whatever is shown, logged or written where others may read it."""

from __future__ import annotations

import re

HIDDEN = "…"

_IN_URL = re.compile(r"(\b[a-z][a-z0-9+.-]*://[^\s:/?#@]*):[^\s]*@", re.IGNORECASE)
_IN_QUERY = re.compile(r"([?&][a-z_]*(?:password|secret|token)[a-z_]*=)[^&\s]*", re.IGNORECASE)
_BEARER = re.compile(r"(\bBearer\s+)[A-Za-z0-9._~+/=-]+", re.IGNORECASE)
_SECRET_NAME = re.compile(r"password|secret|token|passphrase")


def without_secrets(text: str) -> str:
    """The text with passwords of URLs, secret members of queries, and bearer tokens left out."""
    for pattern, kept in ((_IN_URL, rf"\1:{HIDDEN}@"), (_IN_QUERY, rf"\1{HIDDEN}"), (_BEARER, rf"\1{HIDDEN}")):
        text = pattern.sub(kept, text)
    return text


def is_secret(name: str) -> bool:
    """Whether a setting of this name holds nothing but a secret."""
    return _SECRET_NAME.search(name) is not None and not name.endswith("_file")
