"""Text without its secrets, for whatever is shown, logged or written where others may read it."""

from __future__ import annotations

import re
from typing import Final

HIDDEN: Final = "…"
LONGEST: Final = 64_000
"""Of what is looked through; nothing that is shown is as long, and hostile text must not keep anybody busy."""

_SCHEME = r"(?<![a-z0-9+.-])[a-z][a-z0-9+.-]{0,31}://"
_NAME = r"[a-z0-9_.-]{0,64}(?:password|passwd|passphrase|secret|token|api_?-?key|signature)[a-z0-9_.-]{0,64}"
_HIDES: Final = (
    # A password in a URL ends at the last @ before the next blank: one that is not escaped may hold anything else.
    (re.compile(rf"({_SCHEME}[^\s:/?#@]{{0,256}}):[^\s]{{0,4096}}@", re.IGNORECASE), rf"\1:{HIDDEN}@"),
    # A user alone is a token where a web service is meant.
    (re.compile(r"(?<![a-z0-9+.-])(https?://)[^\s:/?#@]{1,4096}@", re.IGNORECASE), rf"\1{HIDDEN}@"),
    (re.compile(rf"([?&;](?:{_NAME}|key|sig|auth|code)=)[^&;#\s'\"]*", re.IGNORECASE), rf"\1{HIDDEN}"),
    (re.compile(r"(\b(?:Bearer|Authorization:\s*Basic)\s+)[A-Za-z0-9._~+/=-]+", re.IGNORECASE), rf"\1{HIDDEN}"),
    # As libpq and configuration files write it.
    (
        re.compile(
            rf"(?<![a-z0-9_.?&;-])({_NAME}(?<!_file)(?<!_variable)\s?=\s?)(?:\"[^\"\n]*\"|'[^'\n]*'|[^\s,;)\]}}]+)",
            re.IGNORECASE,
        ),
        rf"\1{HIDDEN}",
    ),
    (re.compile(rf"(['\"]{_NAME}['\"]\s?:\s?['\"])[^'\"\n]*", re.IGNORECASE), rf"\1{HIDDEN}"),
    (re.compile(r"(?<![A-Za-z0-9_-])fleet_[A-Za-z0-9_-]{43}(?![A-Za-z0-9_-])"), f"fleet_{HIDDEN}"),  # of `fleet access`
    (re.compile(r"(-----BEGIN [A-Z ]*PRIVATE KEY-----).*?(-----END|\Z)", re.DOTALL), rf"\1{HIDDEN}\2"),
)
_SECRET_NAME = re.compile(r"password|secret|token|passphrase|api_?key")


def without_secrets(text: str) -> str:
    """The text with passwords of URLs, secret members of queries and settings, keys, and bearer tokens left out.

    Of longer text only the beginning is there.
    """
    text = text[:LONGEST]
    for pattern, kept in _HIDES:
        text = pattern.sub(kept, text)
    return text


def is_secret(name: str) -> bool:
    """Whether a setting of this name holds nothing but a secret."""
    return _SECRET_NAME.search(name) is not None and not name.endswith("_file")
