"""The README's tour is real output: its commands are run again and must print the same."""

from __future__ import annotations

import tour

from tests.announcing import alone_on_mdns


def test_the_tour_in_the_readme_prints_what_the_readme_says() -> None:
    blocks = tour.told()
    assert sum(len(block) for block in blocks) >= 10
    with alone_on_mdns():
        assert tour.normal(tour.run(blocks)) == tour.normal(blocks)
