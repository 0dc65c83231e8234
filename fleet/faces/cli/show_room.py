"""One room, and a hand-over that was written, as people read them."""

from __future__ import annotations

from fleet.faces.cli.show import NOT_CHECKED, say, table
from fleet.faces.cli.show_agreed import agreed_rows
from fleet.faces.cli.show_levels import chosen_words
from fleet.faces.documents import Document
from fleet.model.listing import counted


def room(document: Document) -> None:
    """Each position with its level and slot, wanted and reported; then the lines."""
    table([(f"{document['room']} ({document['name']}): {document['words']}",)])
    if document["modes"]:
        there = ", ".join(m["mode"] + _along(m["together_with"]) for m in document["modes"])
        table([("  mode:", document["mode_words"]), ("  modes:", there)])
    rows = [
        (
            p["position"],
            p["device"] + (f"/{p['output']}" if p["output"] != 1 else ""),
            *_both(p, "level_db"),
            *_both(p, "slot"),
        )
        for p in document["positions"]
    ]
    table(rows, ("POSITION", "DEVICE", "LEVEL", "REPORTED", "SLOT", "REPORTED"))
    if chosen := [(one["position"], chosen_words(one)) for one in document["chosen_levels"]]:
        say()
        table(chosen, ("POSITION", "LEVEL CHOSEN BY"))
    if told := [(p["position"], words) for p in document["positions"] for words in _standing(p)]:
        say()
        table(told, ("POSITION", "BY ITSELF"))
    if document["agreed"]:
        say()
        table(agreed_rows(document["agreed"]), ("POSITION", "AGREED DEVIATION"))
    lines = [(p["position"], _line(p["line"])) for p in document["positions"] if p["line"]]
    if lines:
        say()
        table(lines, ("POSITION", "LINE"))


def handed_over(document: Document) -> None:
    """Where it was written, what it covers, and what it does not."""
    subject = document["room"] or document["venue"]
    say(f"{document['folder']}: hand-over of {subject}, {counted(len(document['files']), 'file')}")
    say(f"  {counted(document['checked'], 'position')} compared, {document['not_checked']} not checked")
    say(f"  snapshot {document['snapshot']}")
    say(f"  sha256 {document['sha256']}")
    for line in NOT_CHECKED:
        say(f"  {line}")


def _along(rooms: dict[str, str]) -> str:
    """The rooms that go with a mode, in words."""
    return f" (with {', '.join(f'{room} in {mode}' for room, mode in rooms.items())})" if rooms else ""


def _standing(position: Document) -> list[str]:
    """What is not as it should be by itself, and when a device was last seen that is missing or does not answer."""
    drift = [e["since_words"] for e in position["drift"] if e["kind"] not in ("missing", "unreachable")]
    return drift + ([position["missing_words"]] if position["missing_words"] else [])


def _both(position: Document, setting: str) -> tuple[str, str]:
    if position["life_safety"]:
        return "-", position["settings"][setting]["reported"]
    return position["settings"][setting]["wanted"], position["settings"][setting]["reported"]


def _line(line: Document) -> str:
    """A line in figures: what it takes of what its output has, its loss, and how far its taps are recorded."""
    kind = f"{line['volts']:g} V" if line["volts"] is not None else f"{line['load_ohm']:.3g} ohm"
    load = f", {line['load_w']:g} W" if line["load_w"] is not None else ""
    share = f" of {line['amplifier_w']:g} W ({100 * line['share']:.0f} %)" if line["share"] is not None else ""
    loss = f", {line['loss_db']:.2f} dB lost in the cable" if line["loss_db"] is not None else ", loss not computed"
    taps = f", taps set {line['set']} of {line['count']}, checked {line['checked']}" if line["volts"] else ""
    return f"{kind}{load}{share}{loss}{taps}"
