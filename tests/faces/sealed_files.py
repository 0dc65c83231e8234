"""A sealed snapshot as a file, made once by the real services, and what can be done to it."""

from __future__ import annotations

import asyncio
import copy
import functools
import tempfile
import threading
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.faces import snapshot_documents
from fleet.faces.proof.keys import SigningKey
from fleet.services.snapshots_sealed import Proof
from fleet.services.together import wire
from tests.services.small_venue import FILES, NOON, Ids, boxes, hear_all, store_at

Document = dict[str, Any]

KEY = SigningKey(Ed25519PrivateKey.generate())
ANOTHER = SigningKey(Ed25519PrivateKey.generate())


async def _make(key: SigningKey) -> Document:
    with tempfile.TemporaryDirectory() as folder:
        async with store_at(Path(folder)) as store:
            driver = MemoryDriver(boxes())
            driver.devices["box-2"].online = False
            services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids(), proof=Proof(signer=key))
            services.inventory.hear(LinkUp())
            await services.inventory.open()
            await services.desired.load(FILES, "ines")
            await hear_all(services, driver)
            taken = await services.snapshots.take("ines", "Übergabe – gréement 🔊")
            seen = await services.snapshots.witness(taken.id, name="Jo Marsh", note="on paper", who="ines")
            await services.close()
            return snapshot_documents.snapshot(seen)


@functools.cache
def _made(key: SigningKey) -> Document:
    made: list[Document] = []

    def run() -> None:
        made.append(asyncio.run(_make(key)))

    thread = threading.Thread(target=run)  # a test may be in a loop of its own
    thread.start()
    thread.join()
    return made[0]


def document(key: SigningKey = KEY) -> Document:
    """The document, to do with as one likes."""
    return copy.deepcopy(_made(key))


def written(changed: Document) -> bytes:
    """A document as a file in canonical form, right or not."""
    return snapshot_documents.text(changed)
