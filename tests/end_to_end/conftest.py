"""A daemon over the simulated devices of the demo venue, started once for the tests that use it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from running import DEMO_VENUE, Running, running


@pytest.fixture(scope="session")
def venue(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The demo venue with its desired state in force. Tests share it: each keeps to positions of its own."""
    with running(tmp_path_factory.mktemp("venue"), devices=DEMO_VENUE, venue=DEMO_VENUE) as started:
        yield started
