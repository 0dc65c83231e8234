"""The JSON documents that the API answers with and `--json` prints; each says its format and the format's number.

How each is made stands in a module of its own beside this one.
"""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]
