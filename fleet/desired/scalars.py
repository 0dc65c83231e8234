"""One value as it was written, and what it means by the core schema of YAML 1.2 (section 10.3.2).

Both are kept, so that `0412` can be text where text is wanted and a number where a number is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

Value = str | int | float | bool | None

LONGEST_NUMBER: Final = 64
"""Anything longer that looks like a number is text: no setting needs it, and reading it would take long."""

_WORDS: Final[dict[str, Value]] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".inf", ".Inf", ".INF", "+.inf", "+.Inf", "+.INF"), math.inf),
    **dict.fromkeys(("-.inf", "-.Inf", "-.INF"), -math.inf),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), math.nan),
}
_DECIMAL = re.compile(r"[-+]?[0-9]+", re.ASCII)
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", re.ASCII)
_PREFIXED = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Scalar:
    """`text` as written (NFC), `value` as it resolves; for quoted text both are the same."""

    text: str
    value: Value


def plain_scalar(text: str) -> Scalar:
    """An unquoted scalar, resolved."""
    return Scalar(text, core_value(text))


def core_value(text: str) -> Value:
    """What unquoted text means. YAML 1.1's `yes`, `off`, `1_000` and `12:30` are text."""
    if text in _WORDS:
        return _WORDS[text]
    if len(text) > LONGEST_NUMBER:
        return text
    if _DECIMAL.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        return float(text)
    return int(text, 0) if _PREFIXED.fullmatch(text) else text
