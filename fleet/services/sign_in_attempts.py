"""Failed sign-ins, counted for each source and each token, so that who guesses has to wait."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from fleet.reconcile.attempts import Attempts, failed, forgotten, left

MOST_KEPT: Final = 10_000
"""Whoever has more addresses than that gets them forgotten, oldest first; it is the guesses that are hopeless."""
ONE_NETWORK: Final = 64
"""An IPv6 host has a network of so many bits to itself, and any address in it."""


class SignInAttempts:
    """Counts failures under keys. Nothing outlives the daemon."""

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._kept: dict[str, Attempts] = {}

    def wait(self, *keys: str) -> timedelta:
        """For how long nothing of these is looked at."""
        now = self._clock()
        return max((left(self._kept[key], now) for key in keys if key in self._kept), default=timedelta(0))

    def failed(self, *keys: str) -> timedelta:
        """Count a failure under each key; the wait that comes of it."""
        now = self._clock()
        for key in keys:
            self._kept[key] = failed(self._kept.pop(key, Attempts()), now)  # the newest last
        if len(self._kept) > MOST_KEPT:
            self._kept = {key: one for key, one in self._kept.items() if not forgotten(one, now)}
        while len(self._kept) > MOST_KEPT:
            del self._kept[next(iter(self._kept))]
        return self.wait(*keys)


def key_of_source(address: str) -> str:
    """The key of an address: for IPv6, of its network."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return f"source {address}"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return f"source {found.ipv4_mapped}"
        return f"source {ipaddress.ip_network((found, ONE_NETWORK), strict=False)}"
    return f"source {found}"
