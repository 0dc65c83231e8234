"""Two network namespaces joined by a line: a machine that serves at 192.0.2.1, and another at 192.0.2.2 that calls."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

import pytest

from tests.network.lossy_namespace import program

SERVES, CALLS = "192.0.2.1", "192.0.2.2"


class Machine:
    """Commands that run on it see its network alone."""

    def __init__(self, name: str) -> None:
        self._name = name

    def words(self, *words: str) -> list[str]:
        """A command that runs on it."""
        return [program("ip"), "netns", "exec", self._name, *words]

    def ip(self, *words: str) -> None:
        """Set up its network."""
        subprocess.run([program("ip"), "-n", self._name, *words], check=True)


@contextmanager
def two_machines() -> Iterator[tuple[Machine, Machine]]:
    """The one that serves and the one that calls; both are gone at the end. Skips where they cannot be had."""
    if not os.path.exists(program("ip")):  # noqa: PTH110  # it may be a bare name
        _not_here("iproute2 is not installed")
    if os.geteuid() != 0:
        pytest.skip("only root may make a network namespace")
    mark = uuid4().hex[:6]
    names = [f"fleet-{mark}-{part}" for part in ("serves", "calls")]
    made: list[str] = []
    try:
        for name in names:
            added = subprocess.run([program("ip"), "netns", "add", name], capture_output=True, text=True, check=False)
            if added.returncode:
                pytest.skip(f"no network namespace can be made here: {added.stderr.strip()}")
            made.append(name)
        serving, calling = map(Machine, names)
        line = subprocess.run(
            [program("ip"), "-n", names[0], "link", "add", "line", "type", "veth", "peer", "line", "netns", names[1]],
            capture_output=True,
            text=True,
            check=False,
        )
        if line.returncode:
            pytest.skip(f"two network namespaces cannot be joined here: {line.stderr.strip()}")
        for machine, address in ((serving, SERVES), (calling, CALLS)):
            machine.ip("link", "set", "lo", "up")
            machine.ip("address", "add", f"{address}/24", "dev", "line")
            machine.ip("link", "set", "line", "up")
        yield serving, calling
    finally:
        for name in made:
            subprocess.run([program("ip"), "netns", "delete", name], check=True)


def _not_here(reason: str) -> None:
    if os.environ.get("FLEET_TEST_ALL") == "1":
        pytest.fail(f"FLEET_TEST_ALL=1, but {reason}")
    pytest.skip(reason)
