"""Topics on the broker, as far as more than the driver must know of them."""

from __future__ import annotations

from typing import Final

DEFAULT_ROOT: Final = "loudspeakers/v1"
"""Where devices are, unless a daemon is told otherwise."""


def inside(topic: str, root: str) -> bool:
    """Whether a topic is at or below a root."""
    return topic == root or topic.startswith(f"{root}/")
