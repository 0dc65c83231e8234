"""The state machine that contributors read is the one of the table."""

from __future__ import annotations

from tests.reconcile.draw_machine import PAGE, redrawn


def test_the_drawing_for_contributors_is_not_older_than_the_table() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == redrawn(page), "run python -m tests.reconcile.draw_machine"
