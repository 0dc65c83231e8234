"""What a daemon tells of itself in every answer: its release, and the number of the documents that it speaks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fleet import __version__

RELEASE: Final = "Fleet-Release"
DOCUMENTS: Final = "Fleet-Documents"
NUMBER: Final = "1"
"""Goes up with a patch release after which a command of the one before would misread an answer, or be refused."""
TOLD: Final[Mapping[str, str]] = {RELEASE: __version__, DOCUMENTS: NUMBER}
