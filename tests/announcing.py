"""One run at a time that announces the demo venue's devices: mDNS on loopback is shared by all tests of a machine."""

from __future__ import annotations

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def alone_on_mdns() -> Iterator[None]:
    """Wait until no other test announces them, and keep others waiting until the end of the block."""
    path = Path(tempfile.gettempdir()) / f"fleet-tests-mdns-{os.getuid()}"
    with path.open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
