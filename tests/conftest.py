"""For every test: hypothesis without time limits, since a loaded machine proves nothing about a property."""

from __future__ import annotations

import pytest
from hypothesis import settings

LONGEST = (
    "test_month.py",
    "test_killed_daemon.py",
    "test_devices_at_fault.py",
    "test_store_trouble.py",
    "test_job.py",
    "test_year.py",
    "test_broker_faults.py",
    "test_second_daemon.py",
    "test_tour.py",
    "test_modes.py",
    "test_packet_loss.py",
)
"""They begin first, so that no processor waits for one of them at the end; pytest-xdist keeps this order."""

settings.register_profile("fleet", deadline=None, print_blob=True)
settings.load_profile("fleet")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.name, len(LONGEST)))
