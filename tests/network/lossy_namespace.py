"""A network namespace of the test's own, with a loopback on which TCP packets of one port can be lost."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import uuid4

import pytest

PARTS = {"ip": "iproute2", "nft": "nftables"}
"""Programs, and the Debian package each is in."""

_LOSS = """
table inet loss {{
  chain input {{
    type filter hook input priority 0; policy accept;
    tcp dport {port} numgen random mod 100 < {percent} counter drop
    tcp sport {port} numgen random mod 100 < {percent} counter drop
  }}
}}
"""


class Namespace:
    """Commands run inside see nothing of the machine's network but a loopback of their own."""

    def __init__(self, name: str) -> None:
        self._inside = [program("ip"), "netns", "exec", name]

    def words(self, *words: str) -> list[str]:
        """A command that runs inside."""
        return [*self._inside, *words]

    def lose(self, percent: int, port: int) -> None:
        """From now on, lose this share of the TCP packets to and from a port, in each direction."""
        self._nft(_LOSS.format(port=port, percent=percent))

    def lose_nothing(self) -> int:
        """Take the loss away; how many packets were lost."""
        rules = subprocess.run(
            self.words(program("nft"), "list", "table", "inet", "loss"), check=True, capture_output=True, text=True
        ).stdout.split()
        self._nft("delete table inet loss")
        return sum(int(rules[place + 1]) for place, word in enumerate(rules) if word == "packets")

    def _nft(self, rules: str) -> None:
        subprocess.run(self.words(program("nft"), "-f", "-"), input=rules, text=True, check=True)


def program(name: str) -> str:
    """Where a program is; Debian keeps these where only root's PATH looks."""
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin") or name


@contextmanager
def namespace() -> Iterator[Namespace]:
    """A namespace for the length of the block; it is deleted whatever happens. Skips where it cannot be had.

    A kernel or a user that may not have one is always a reason to skip; a program that is not installed is a
    failure where nothing may be skipped (`FLEET_TEST_ALL=1`).
    """
    _skip_without_parts()
    name = f"fleet-{uuid4().hex[:8]}"
    made = subprocess.run([program("ip"), "netns", "add", name], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"no network namespace can be made here: {made.stderr.strip()}")
    try:
        subprocess.run([program("ip"), "-n", name, "link", "set", "lo", "up"], check=True)
        inside = Namespace(name)
        tried = subprocess.run(
            inside.words(program("nft"), "--check", "-f", "-"),
            input=_LOSS.format(port=1883, percent=30),
            capture_output=True,
            text=True,
            check=False,
        )
        assert "syntax error" not in tried.stderr, tried.stderr
        if tried.returncode:
            pytest.skip(f"the kernel cannot lose packets by chance: {tried.stderr.strip()}")
        yield inside
    finally:
        subprocess.run([program("ip"), "netns", "delete", name], check=True)


def _skip_without_parts() -> None:
    missing = [package for name, package in PARTS.items() if shutil.which(program(name)) is None]
    if missing and os.environ.get("FLEET_TEST_ALL") == "1":
        pytest.fail(f"FLEET_TEST_ALL=1, but {' and '.join(missing)} is not installed")
    if missing:
        pytest.skip(f"{' and '.join(missing)} is not installed")
    if os.geteuid() != 0:
        pytest.skip("only root may make a network namespace")
