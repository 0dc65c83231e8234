"""Draw the change's state machine into DEVELOPERS.md, from its table.

Run it after changing the table: `python -m tests.reconcile.draw_machine`. A test fails while the drawing is old.
"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

from fleet.model.change import ChangeState
from fleet.reconcile.machine import EVENTS, OWN_RULES, TABLE

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- machine: begin -->", "<!-- machine: end -->"


def drawn() -> str:
    """The diagram and the table, in Markdown."""
    return "\n".join([BEGIN, "", *_diagram(), "", *_table(), "", END])


def redrawn(page: str) -> str:
    """The page with the present drawing between its marks."""
    before, rest = page.split(BEGIN)
    return before + drawn() + rest.split(END)[1]


def _diagram() -> list[str]:
    lines = ["```mermaid", "stateDiagram-v2", "    [*] --> planned"]
    names = {s: s.value.replace(" ", "_") for s in ChangeState}
    lines += [f"    {name}: {state.value}" for state, name in names.items() if name != state.value]
    arrows = sorted(
        (names[state], names[to], event.__name__) for (state, event), cell in OWN_RULES.items() for to in cell.leads_to
    )
    for (start, to), several in groupby(arrows, key=lambda arrow: arrow[:2]):
        lines.append(f"    {start} --> {to}: {', '.join(event for *_, event in several)}")
    lines += [f"    {names[s]} --> [*]" for s in ChangeState if s.ended]
    return [*lines, "```"]


def _table() -> list[str]:
    heads = [event.__name__ for event in EVENTS]
    lines = [f"| state | {' | '.join(heads)} |", "|---" * (len(heads) + 1) + "|"]
    for state in ChangeState:
        cells = []
        for event in EVENTS:
            cell = TABLE[state, event]
            own = (state, event) in OWN_RULES
            cells.append(", ".join(s.value for s in cell.leads_to) if cell.leads_to else ("noted" if own else "-"))
        lines.append(f"| {state.value} | {' | '.join(cells)} |")
    return lines


if __name__ == "__main__":
    PAGE.write_text(redrawn(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
