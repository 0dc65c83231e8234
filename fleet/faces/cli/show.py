"""Documents as people read them in a terminal of 80 columns. Text from devices is made safe, and is never markup."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import groupby, zip_longest
from typing import Any

from fleet.faces.cli.clock import Clock
from fleet.faces.cli.show_agreed import agreed_rows
from fleet.faces.documents import Document
from fleet.model.durations import words_of
from fleet.model.listing import counted
from fleet.model.names import shown

Row = Sequence[str]

LONGEST = 4000
LONGEST_CELL = 1000
WIDEST_COLUMN = 64
NARROWEST = 8
LEAST_LAST = 12
GAP = 2
MOST_SHOWN = 12
NOT_CHECKED = (
    "settings were read; wiring, aim, rigging, acoustics and the fire",
    "interface were not checked",
)


def width() -> int:
    """Columns to use: the terminal's, at most 100, and 80 where there is no terminal."""
    return min(shutil.get_terminal_size((80, 24)).columns, 100)


def say(text: str = "") -> None:
    """A line of a result."""
    sys.stdout.write(shown(text, LONGEST).rstrip() + "\n")


def tell(text: str) -> None:
    """A line of prose beside the result, on stderr. A terminal gets it broken between words, a file or pipe whole."""
    line = shown(text, LONGEST).rstrip()
    if sys.stderr.isatty() and len(line) > width():
        line = textwrap.fill(line, width(), break_long_words=False, break_on_hyphens=False)
    sys.stderr.write(line + "\n")


def table(rows: Iterable[Row], heads: Row = (), indent: int = 0, out: Callable[[str], None] = say) -> None:
    """Columns as wide as they need to be; a cell wraps in its column, the last ones first, so that all fits.

    `tell` as `out` prints beside the result.
    """
    lines = [
        [*(shown(str(cell), WIDEST_COLUMN) for cell in row[:-1]), shown(str(row[-1]), LONGEST_CELL)]
        for row in ([heads] if heads else []) + list(rows)
    ]
    if not lines:
        return
    room = width() - indent
    least = min(LEAST_LAST, max(len(line[-1]) for line in lines))
    widths = _narrowed([max(len(line[i]) for line in lines) for i in range(len(lines[0]) - 1)], room - least)
    widths.append(max(least, room - sum(w + GAP for w in widths)))
    for line in lines:
        parts = [_broken(cell, w) for cell, w in zip(line, widths, strict=False)]
        for cells in zip_longest(*parts, fillvalue=""):
            lead = "".join(cell.ljust(w + GAP) for cell, w in zip(cells[:-1], widths, strict=False))
            out(" " * indent + lead + cells[-1])


def _narrowed(widths: list[int], room: int) -> list[int]:
    """These widths, the widest ones taken in until all of them fit with their gaps."""
    while widths and sum(w + GAP for w in widths) > room and max(widths) > NARROWEST:
        widths[widths.index(max(widths))] -= 1
    return widths


def _broken(cell: str, width: int) -> list[str]:
    """A cell in lines of its column."""
    if len(cell) <= width:
        return [cell]
    return textwrap.wrap(cell, width, break_on_hyphens=False) or [""]


def table_or_none(rows: Sequence[Row], heads: Row, none: str) -> None:
    """A table, or words where there are no rows."""
    table(rows, heads) if rows else say(none)


def differences(document: Document, *, everything: bool = False) -> None:
    """What differs, room by room; slight differences and notes only where everything is wanted."""
    found = [d for d in document["differences"] if everything or d["agreed"] or d["grade"] != "slight"]
    away = [n for n in document["not_checked"] if everything or n["reason"] != "life_safety"]
    notes = [n for n in document["notes"] if everything or n["silent"]]
    for room in sorted({x["room"] for x in (*found, *away, *notes)}):
        say(f"{room}:")
        own = [d for d in found if d["room"] == room]
        rows = [(d["position"], d["grade"], d["words"]) for d in own if not d["agreed"]]
        rows += [(position, "agreed", words) for position, words in agreed_rows(own)]
        rows += [(n["position"], "not checked", _reason(n)) for n in away if n["room"] == room]
        rows += [(n["position"], "note", n["words"]) for n in notes if n["room"] == room]
        table(rows, indent=2)
    counts = document["counts"]
    hidden = counts["slight"] if not everything else 0
    checked = counted(document["checked"], "position")
    total = f"{checked} checked: {counts['serious']} serious, {counts['audible']} audible"
    agreed = f"; {document['agreed']} agreed" if document["agreed"] else ""
    slight = f", {hidden} slight (--all shows them)" if hidden else f", {counts['slight']} slight"
    say(total + slight + agreed)
    if missed := sum(n["reason"] != "life_safety" for n in document["not_checked"]):
        say(f"{counted(missed, 'position')} not checked")


def plan(document: Document, allowed: Collection[str] = ()) -> None:
    """What a plan would do, step by step, and what speaks against it; lifted guards are told as allowed."""
    if document["empty"]:
        say("  nothing to do")
    moved = {room: m for room, m in document["modes"].items() if m["was"] != m["then"]}
    _listed("mode", [f"{room}: {m['was']} to {m['then']}" for room, m in moved.items()])
    for d in document["devices"]:
        names = ", ".join(p.split("/", 1)[1] for p in d["positions"]) or d["device"]
        steps = [phase for phase, _ in groupby(step["phase"] for step in d["steps"])]
        weaker = "" if d["stages"] else "  (cannot stage: written at once, undone by writing back)"
        say(f"  {names} ({d['device']}): {', '.join(steps)}{weaker}")
        table([(x["grade"], x["words"]) for x in document["differences"] if x["device"] == d["device"]], indent=4)
    if document["kind"] != "level":  # its notes tell from where to where each level moves
        _listed("louder", document["louder"])
    _listed("left out", [f"{x['position']}: {x['words']}" for x in document["left_out"]])
    if any(x["unable"] for x in document["left_out"]):
        _listed("way out", ["`fleet swap POSITION DEVICE` puts a spare in the place of a dead box"])
    _listed("note", document["notes"])
    stands = standing(document, allowed)
    for g in document["guards"]:
        _listed("guard" if g["guard"] in stands else "allowed", [f"{g['guard']}: {g['words']}"])
    if not document["empty"]:
        say(f"  plan {document['digest'][:12]}")


def standing(document: Document, allowed: Collection[str]) -> list[str]:
    """Guards of a plan that nobody has lifted."""
    return sorted({g["guard"] for g in document["guards"] if not (g["may_allow"] and g["guard"] in allowed)})


def trial(document: Document, trial_s: float) -> None:
    """What a trial of this plan means, and where it is weaker."""
    _listed("trial", [f"goes back by itself unless it is kept within {words_of(trial_s)}"])
    weak = [d["device"] for d in document["devices"] if not d["timer"]]
    if weak:
        words = "cannot go back without the daemon: only its journal holds their timer, which is weaker"
        _listed("trial", [f"{', '.join(weak)} {words}"])


def change(document: Document, clock: Clock) -> None:
    """How a change ended, or what it waits for, and for which device otherwise."""
    table([(f"change {document['id']} ({document['kind']} {document['scope']}): {document['state']}",)])
    if document["state"] == "on trial":
        _listed("until", [f"{clock.told(document['trial_until'], 'seconds')}; then everything goes back by itself"])
        _listed("to keep it", [f"fleet keep {document['id']}"])
        _listed("to undo it", [f"fleet cancel {document['id']}"])
    _listed("made it fail", [f"{d}: {words}" if d else words for d, words in document["culprits"].items()])
    if document["state"] == "needs a person":
        ways = (
            ("to see it:", "fleet diff, and look at the devices below"),
            ("to go back:", f"fleet rollback {document['id']}"),
            ("to go on:", "fleet apply, which puts right what differs now"),
        )
        table(ways, indent=2)
    if document["state"] in {"kept", "on trial"}:
        afterwards(document["plan"])
    told = [o for o in document["devices"] if o["word"] != document["state"] or o["word"] == "needs a person"]
    rows = [(o["device"], o["word"], o["words"]) for o in told]
    table(rows, indent=2)


def afterwards(plan_document: Document) -> None:
    """What is to be known or done once a plan is kept."""
    offers(plan_document["afterwards"])


def offers(lines: Iterable[str]) -> None:
    """Sentences that end a command, each with what may be done."""
    _listed("afterwards", lines)


def devices(document: Document, clock: Clock) -> None:
    """The inventory as a table, with what is wrong below its device."""
    if document["link_trouble"]:
        tell(f"the devices cannot be reached: {document['link_trouble']}")
    if document["passed_over"]:
        tell(f"the inventory is full: {document['passed_over']} times a device was passed over that no position names")
        tell("Who writes to the broker, or announces devices by mDNS? What is gone for an hour makes room by itself.")
    rows = [(d["status"], d["id"], d["model"], d["firmware"], _served(d, clock)) for d in document["devices"]]
    table(rows, ("STATUS", "DEVICE", "MODEL", "FIRMWARE", "POSITIONS"))
    wrong = [(d["id"], words) for d in document["devices"] if (words := d["conflict"] or d["trouble"])]
    wrong += [(d["id"], f"tells faults: {', '.join(d['faults'])}") for d in document["devices"] if d["faults"]]
    if wrong:
        say()
        table(wrong)
    counts = document["counts"]
    say()
    say(", ".join(f"{number} {word}" for word, number in counts.items()))


def _reason(not_checked: Document) -> str:
    reason, words = not_checked["reason"], not_checked["words"]
    return f"{reason}: {words}" if reason in {"conflicting", "unsuitable"} else words


def _served(row: Document, clock: Clock) -> str:
    served = (", ".join(row["positions"]) or "-") + (" (life safety)" if row["life_safety"] else "")
    if row["spare_for"] and not row["positions"]:
        served = f"spare for {', '.join(row['spare_for'])}"
    if (retired := row["retired"]) is not None:
        served += f" (retired {clock.day(retired['since'])} from {', '.join(retired['positions'])})"
    return served


def value_words(value: Any) -> str:
    """A value of a document in words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return " ".join(value_words(v) for v in value.values() if v is not None)
    if isinstance(value, list):
        return "; ".join(value_words(v) for v in value) or "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _listed(word: str, lines: Iterable[str]) -> None:
    table([(f"{word}:", line) for line in lines], indent=2)
