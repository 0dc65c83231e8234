"""An empty store for a test, made once in a process and copied from then on: making its tables takes longer than most
tests of what is kept in them. That they are made is for `tests/store`.
"""

from __future__ import annotations

import asyncio
import tempfile
import threading
from functools import cache
from pathlib import Path

from fleet.store.sql import open_store


def url_of_store(file: Path) -> str:
    """The URL of the store in this file, which has all its tables from here on."""
    if not file.exists():
        file.write_bytes(_empty())
        file.chmod(0o600)
    return f"sqlite:///{file}"


@cache
def _empty() -> bytes:
    async def make() -> None:
        async with open_store(f"sqlite:///{file}"):
            pass

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "empty.db"
        thread = threading.Thread(target=lambda: asyncio.run(make()))  # there may be a loop in this one
        thread.start()
        thread.join()
        return file.read_bytes()
