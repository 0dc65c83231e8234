"""Walks as people read them in a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Iterator

from fleet.faces.cli import show
from fleet.faces.cli.clock import Clock
from fleet.faces.documents import Document
from fleet.model.durations import words_of
from fleet.model.listing import counted

SAFETY = (
    "Keep people clear of the loudspeakers: sudden level can injure, and can destroy drivers.",
    "Start with the source low, and raise it slowly. Pause it before you go on: between two positions the room is as "
    "it was before.",
    "Lines of 70 V and 100 V are for qualified persons. A mute isolates nothing: switch off, wait and verify before "
    "touching one.",
    "Life-safety positions are not touched, and not walked.",
)


def beginning(document: Document) -> None:
    """What a walk is about to do, and the safety words."""
    count, level_db = len(document["left"]), document["level_db"]
    rows = [
        ("walk:", f"{document['room']}, {counted(count, 'position')}, one at a time, the rest of the room muted"),
        ("level:", f"at most {level_db:g} dB, never above the ceiling of a position nor what it has now"),
        ("time:", f"all goes back unless you go on within {words_of(document['step_within_s'])}"),
        *_not_walked(document),
        *(("safety:", line) for line in SAFETY),
    ]
    show.table(rows, out=show.tell)


def position(document: Document) -> None:
    """The position under test."""
    now = document["now"]
    number, count = document["positions"].index(now["position"]) + 1, len(document["positions"])
    held = f" (was {now['was_db']:g} dB)" if now["level_db"] != now["was_db"] else ""
    box = f"{now['device']}, output {now['output']}"
    rows = [(f"{number} of {count}", f"{now['position']} ({box}) at {now['level_db']:g} dB{held}")]
    if now["muted"]:
        rows.append(("", f"muted: {', '.join(now['muted'])}"))
    rows += [("", f"may sound: {words}") for words in now["may_sound"]]
    show.table(rows, out=show.tell)


def walk(document: Document, clock: Clock) -> None:
    """A walk with all that was heard and found."""
    began = clock.told(document["began"], "seconds")
    show.say(f"walk {document['id']} of {_where(document)} by {document['who']}, {began}: {document['state']}")
    rows = [("stopped:", document["words"])] if document["words"] else []
    rows += [("baseline:", "later walks of the room are compared with it")] if document["is_baseline"] else []
    show.table(rows, indent=2)
    heard = sorted(document["heard"], key=lambda one: document["positions"].index(one["position"]))
    table = [(h["position"], f"{h['level_db']:g}", *_answers(h)) for h in heard]
    if table:
        show.table(table, ("POSITION", "AT DB", "PLACE", "SOURCE", "SOUND", "POLARITY"), indent=2)
    rows = [("measured:", f"{h['position']}: {words}") for h in heard for words in _measured(h)]
    rows += [("notes:", f"{h['position']}: {h['answers']['notes']}") for h in heard if h["answers"]["notes"]]
    rows += _not_walked(document)
    rows += [("left:", ", ".join(document["left"]))] if document["left"] else []
    rows += [("found:", f"{f['position']}: {f['words']}") for f in document["findings"]]
    show.table(rows, indent=2)
    if against := document["against"]:
        show.say(f"  against the baseline {against['walk']} of {clock.day(against['began'])}:")
        show.table([(f["position"], f["words"]) for f in against["findings"]] or [("same", "nothing moved")], indent=4)


def walks(document: Document, clock: Clock) -> None:
    """The list of walks."""
    rows = [
        (w["id"], clock.minute(w["began"]), w["who"], w["state"], f"{_where(w)}: {_summary(w)}")
        for w in document["walks"]
    ]
    show.table_or_none(rows, ("WALK", f"STARTED ({clock.name})", "WHO", "STATE", "ROOM"), "no walks")


def _where(document: Document) -> str:
    group = document["only_group"]
    return f"{document['room']}, group {group}" if group else str(document["room"])


def _summary(document: Document) -> str:
    missed = sum(not n["life_safety"] for n in document["not_walked"]) + len(document["left"])
    parts = ["all right"] if document["all_right"] else []
    parts += [counted(len(document["findings"]), "finding")] if document["findings"] else []
    parts += [f"{missed} not walked"] if missed else []
    parts += ["baseline"] if document["is_baseline"] else []
    return ", ".join(parts) or "nothing found"


def _not_walked(document: Document) -> list[tuple[str, str]]:
    return [("not walked:", f"{n['position']}: {n['words']}") for n in document["not_walked"]]


def _answers(heard: Document) -> tuple[str, ...]:
    return tuple(heard["answers"][name] for name in ("place", "source", "sound", "polarity"))


def _measured(heard: Document) -> Iterator[str]:
    answers = heard["answers"]
    if (ohm := answers["impedance_ohm"]) is not None:
        words = f"line {ohm:g} ohm"
        if heard["off_percent"] is not None:
            words += f", {heard['off_percent']:+.0f} % of the {heard['expected_ohm']:.4g} ohm expected"
        yield f"{words} ({_instrument(answers)})"
    if (level_db := answers["level_db"]) is not None:
        yield f"level {level_db:g} dB ({_instrument(answers)})"


def _instrument(answers: Document) -> str:
    return f"{answers['instrument']}, serial {answers['instrument_serial'] or 'not given'}"
