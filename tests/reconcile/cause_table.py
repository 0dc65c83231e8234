"""Rewrite the table of probable causes in DEVELOPERS.md: `python -m tests.reconcile.cause_table`.

It injects causes into simulated devices, has them judged blindly from what the devices report, and counts. The table
stands between `<!-- causes: begin -->` and `<!-- causes: end -->`.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fleet.model.cause import CauseKind
from tests.reconcile.cause_bench import Truth, Verdict, cases, judged
from tests.reconcile.cause_injection import HINTS, INJECTED

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- causes: begin -->", "<!-- causes: end -->"
CASES, SEED = 6_000, 1
ALL = "all"
HINT_WORDS = {"told": "hint told", "none": "no hint", "false": "false hint", ALL: ALL}
PUT_BACK: set[tuple[CauseKind, CauseKind]] = {("edited", "recalled"), ("input", "recalled")}
"""An edited device whose settings are put back by hand is as one whose slot was recalled again."""
OTHER_HANDS: set[tuple[CauseKind, CauseKind]] = {("controller", kind) for kind in ("recalled", "input", "edited")}
"""What a controller does looks as if a hand had done it, where no hint tells."""
LIES = OTHER_HANDS | {(said, true) for true, said in OTHER_HANDS} | {("reverted", said) for _, said in OTHER_HANDS}
SAME_EVIDENCE: dict[str, set[tuple[CauseKind, CauseKind]]] = {
    "told": PUT_BACK,
    "none": PUT_BACK | OTHER_HANDS,
    "false": PUT_BACK | LIES | {("reverted", "controller")},
}
"""What may be taken for what, by the hints that the device gives; nothing else may."""

Outcome = Literal["hit", "wrong", "not known"]


@dataclass(frozen=True)
class Count:
    """One injected cause and what was said of it; `said` is what it was taken for, where that was wrong."""

    kind: CauseKind
    hint: str
    several: bool
    outcome: Outcome
    said: str = ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Judge and rewrite the page."""
    parser = argparse.ArgumentParser(prog="python -m tests.reconcile.cause_table", description=__doc__.split("\n\n")[0])
    parser.add_argument("--cases", type=int, default=CASES)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args(arguments)
    evidence, truths = cases(asked.cases, asked.seed)
    counts = list(counted(truths, judged(evidence)))
    page, begin, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
    _, end, after = rest.partition(END)
    assert begin, f"{PAGE.name} has no {BEGIN}"
    assert end, f"{PAGE.name} has no {END}"
    text = f"{asked.cases} devices, seed {asked.seed}.\n\n{table(counts)}"
    PAGE.write_text(f"{page}{BEGIN}\n\n{text}\n\n{END}{after}", encoding="utf-8")
    return 0


def counted(truths: Sequence[Truth], verdicts: Sequence[Verdict]) -> Iterator[Count]:
    """Compare the verdicts with the truth. Where several things were done, each has to be among what was said."""
    for truth, verdict in zip(truths, verdicts, strict=True):
        several = len(truth.injected) > 1
        said = [part.kind for part in verdict.parts] if several else [verdict.cause.kind]
        false = sorted({kind for kind in said if kind not in truth.kinds and kind != "not known"})
        for one in truth.injected:
            if one.kind in said:
                yield Count(one.kind, truth.hint, several, "hit")
            elif false:
                yield Count(one.kind, truth.hint, several, "wrong", " + ".join(false))
            else:
                yield Count(one.kind, truth.hint, several, "not known")


def table(counts: Sequence[Count]) -> str:
    """Hits by cause and by the hints that the device gives, in Markdown; then the overall rates."""
    rows: defaultdict[str, defaultdict[str, list[Count]]] = defaultdict(lambda: defaultdict(list))
    for one in counts:
        row = "several at once" if one.several else one.kind
        for name in (row, ALL):
            for hint in (one.hint, ALL):
                rows[name][hint].append(one)
    columns = (*HINTS, ALL)
    head = [["cause", *(HINT_WORDS[hint] for hint in columns)], ["---"] * (len(columns) + 1)]
    names = [name for name in (*INJECTED, "several at once", ALL) if name in rows]
    lines = [[name, *(_cell(rows[name][hint], detailed=name != ALL) for hint in columns)] for name in names]
    return "\n".join(f"| {' | '.join(line)} |" for line in (*head, *lines))


def rate(counts: Sequence[Count]) -> float:
    """The share of hits."""
    return sum(one.outcome == "hit" for one in counts) / len(counts)


def _cell(counts: list[Count], *, detailed: bool) -> str:
    if not counts:
        return "-"
    wrong = Counter(one.said for one in counts if one.outcome == "wrong")
    unknown = sum(one.outcome == "not known" for one in counts)
    text = f"{sum(one.outcome == 'hit' for one in counts)} of {len(counts)}"
    if not detailed:
        text += f" ({rate(counts):.1%})"
    if wrong:
        most = ", ".join(f"{said} {number}" for said, number in wrong.most_common(2))
        text += f"; wrong {wrong.total()}" + (f" ({most})" if detailed else "")
    return text + (f"; not known {unknown}" if unknown else "")


if __name__ == "__main__":
    sys.exit(main())
