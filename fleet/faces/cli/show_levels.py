"""The levels of a room as people read them."""

from __future__ import annotations

from fleet.faces.cli.show import say, table
from fleet.faces.documents import Document

TOO_LOUD = "If it is too loud, turn down or call."


def levels(document: Document) -> None:
    """Each level that may be moved with its range and who chose it; how many are fixed; the operator's line."""
    say(f"{document['room']} ({document['name']})")
    ranged = [one for one in document["levels"] if one["range_db"] is not None]
    rows = [(one["position"], _db(one), _range(one), chosen_words(one)) for one in ranged]
    table(rows, ("POSITION", "LEVEL", "RANGE", "CHOSEN BY"))
    if fixed := len(document["levels"]) - len(ranged):
        others = "the others are" if ranged else "all levels are"
        say(f"{others} fixed: {fixed}")
    say(TOO_LOUD)


def chosen_words(one: Document) -> str:
    """Who chose a level and when, and until when it is; `nobody` where nobody did."""
    if one["chosen"] is None:
        return "nobody"
    chosen = one["chosen"]
    words = f"{chosen['who']}, {chosen['at_words']}"
    if one["level_db"] is not None and chosen["level_db"] != one["level_db"]:
        what = "which a recall brings back" if _inside(one, chosen["level_db"]) else "outside of its range now"
        words += f": {chosen['level_db']:g} dB, {what}"
    return words + (f"; until {one['until_words']}" if one["until"] else "")


def _inside(one: Document, level_db: float) -> bool:
    low, high = one["range_db"]
    return bool(low <= level_db <= high)


def _db(one: Document) -> str:
    return f"{one['level_db']:g} dB" if one["level_db"] is not None else "not read"


def _range(one: Document) -> str:
    low, high = one["range_db"]
    ceiling_db = one["ceiling_db"]
    capped = f", at most {ceiling_db:g}" if ceiling_db is not None and ceiling_db < high else ""
    return f"{low:g} to {high:g} dB{capped}"
