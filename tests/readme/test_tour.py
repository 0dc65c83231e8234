"""The README's tour is real output: its commands are run again and must print the same."""

from __future__ import annotations

import tour


def test_the_tour_in_the_readme_prints_what_the_readme_says() -> None:
    blocks = tour.told()
    assert sum(len(block) for block in blocks) >= 10
    assert tour.normal(tour.run(blocks)) == tour.normal(blocks)
