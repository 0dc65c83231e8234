"""A broker that can be killed as a power loss does, and started again on the same port, remembering nothing."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from iotcore import Broker

from tests.brokers import answers, embedded_settings, free_port, mosquitto_words

Kind = Literal["embedded", "mosquitto"]
ATTEMPTS = 10


class MortalBroker:
    """Runs while it is started. `start` returns when it answers; `kill` when it is dead."""

    def __init__(self, kind: Kind, folder: Path) -> None:
        self.port = free_port()
        self._kind = kind
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        if self._kind == "embedded":
            broker = Broker(config_path=str(embedded_settings(self._folder, self.port)))
            for attempt in range(ATTEMPTS):
                try:
                    broker.start()
                    break
                except (OSError, RuntimeError):  # a passing connection of this machine has the port
                    if attempt + 1 == ATTEMPTS:
                        raise
                    time.sleep(0.5)
            self._process = broker._process  # iotcore has no public way to kill it
            return
        words = mosquitto_words(self._folder, self.port)
        self._process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while not answers(self.port):
            assert self._process.poll() is None, "mosquitto ended at its start"
            time.sleep(0.01)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextmanager
def mortal_broker(kind: Kind, folder: Path) -> Iterator[MortalBroker]:
    """A broker that runs, and is dead after the block."""
    folder.mkdir(parents=True, exist_ok=True)
    broker = MortalBroker(kind, folder)
    try:
        broker.start()
        yield broker
    finally:
        broker.kill()
