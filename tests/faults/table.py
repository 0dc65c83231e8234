"""Rewrite the table of faults in DEVELOPERS.md: `python -m tests.faults.table`, or `--from FILE` with results at hand.

It runs all of `tests/faults` with FLEET_NIGHTLY=1, so that what is counted is every point and no sample, and collects
what `tests.faults.results` records. In the table a row is a fault, a column the state of the change that it struck in,
and a cell tells how those changes ended, and how many. It stands between `<!-- faults: begin -->` and
`<!-- faults: end -->`. Where a test fails nothing is written.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from tests.faults.results import OUTCOMES, STATES, VARIABLE

REPOSITORY = Path(__file__).parents[2]
PAGE = REPOSITORY / "DEVELOPERS.md"
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tests where no results are given, and rewrite the page; 1 where a test fails."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.table", description=__doc__.split("\n\n")[0])
    parser.add_argument("--from", dest="file", type=Path, metavar="FILE", help="use these results, run nothing")
    asked = parser.parse_args(arguments)
    if asked.file is not None:
        lines = read(asked.file)
    else:
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "results.jsonl"
            environment = {**os.environ, VARIABLE: str(file), "FLEET_NIGHTLY": "1"}
            if subprocess.call(
                [sys.executable, "-m", "pytest", "tests/faults", "tests/network/test_broker_faults.py"],
                cwd=REPOSITORY,
                env=environment,
            ):
                return 1
            lines = read(file)
    PAGE.write_text(rewritten(PAGE.read_text(encoding="utf-8"), table(lines)), encoding="utf-8")
    return 0


def read(file: Path) -> list[dict[str, Any]]:
    """The results in a file."""
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def table(lines: Iterable[dict[str, Any]]) -> str:
    """The table in Markdown: faults by name, the states that anything struck in, outcomes with their counts."""
    cells: defaultdict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for line in lines:
        cells[line["fault"], line["state"]][line["outcome"]] += 1
    unknown = {state for _, state in cells} - set(STATES) | {o for cell in cells.values() for o in cell} - set(OUTCOMES)
    assert not unknown, f"neither a state nor an outcome: {unknown}"
    states = [state for state in STATES if any(state == struck for _, struck in cells)]
    head = [["fault", *states], ["---"] * (len(states) + 1)]
    faults = sorted({fault for fault, _ in cells})
    rows = [[fault, *(_cell(cells.get((fault, state), Counter())) for state in states)] for fault in faults]
    return "\n".join(f"| {' | '.join(row)} |" for row in (*head, *rows))


def rewritten(page: str, faults: str) -> str:
    """The page with this table between its markers."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    assert begin, f"{PAGE.name} has no {BEGIN}"
    assert end, f"{PAGE.name} has no {END}"
    return f"{before}{BEGIN}\n\n{faults}\n\n{END}{after}"


def _cell(outcomes: Counter[str]) -> str:
    told = sorted(outcomes.items(), key=lambda one: (-one[1], OUTCOMES.index(one[0])))
    return ", ".join(f"{outcome} {count}" for outcome, count in told) or "-"


if __name__ == "__main__":
    sys.exit(main())
