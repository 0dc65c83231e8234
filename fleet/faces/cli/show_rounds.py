"""Rounds as people read them: what would be done in each room, and how each room went, device by device."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator

from fleet.faces.cli.show import say, standing, table
from fleet.faces.documents import Document
from fleet.model.listing import counted

Row3 = tuple[str, str, str]


def plan(document: Document, allowed: Collection[str]) -> None:
    """Each room in a few lines: how much is done, what will be louder, what is left out, what speaks against it."""
    say(f"{document['kind']} every room, one after another:")
    table([row for room in document["rooms"] for row in _planned(room, allowed)], ("ROOM", "PLAN"))


def result(document: Document) -> None:
    """How each room went, every device that counts on a line of its own, and why the round stopped if it did."""
    table([row for room in document["rooms"] for row in _gone(room)], ("ROOM", "RESULT", "WHAT"))
    say()
    begun = Counter(room["state"] != "not begun" for room in document["rooms"])
    say(f"{document['id']} ({document['kind']}): {begun[True]} of {counted(begun.total(), 'room')} had a turn")
    if document["stopped"]:
        say(f"stopped: {document['stopped']}")
        say(f"to go on once that is mended: `fleet {document['kind']} --every-room`")
    if document["counted"]:
        table([("failed, unreachable or late:", ", ".join(document["counted"]))])


def _planned(room: Document, allowed: Collection[str]) -> Iterator[tuple[str, str]]:
    if (refused := room["refused"]) is not None:
        first = refused["words"] or f"{counted(len(refused['devices']), 'device')} cannot take part"
        yield room["room"], f"cannot be done: {first}"
        yield from (("", _of_device(d)) for d in refused["devices"])
        return
    document = room["plan"]
    grades = Counter(d["grade"] for d in document["differences"])
    told = ", ".join(f"{grades[grade]} {grade}" for grade in ("serious", "audible", "slight") if grades[grade])
    devices = counted(len(document["devices"]), "device")
    yield room["room"], "nothing to do" if document["empty"] else f"{devices}" + (f": {told}" if told else "")
    plainly = [d["device"] for d in document["devices"] if not d["stages"]]
    if plainly:
        yield "", f"cannot stage: written at once, undone by writing back: {', '.join(plainly)}"
    yield from (("", f"louder: {words}") for words in document["louder"])
    yield from (("", f"left out: {x['position']}: {x['words']}") for x in document["left_out"])
    yield from (("", f"note: {words}") for words in document["notes"])
    stands = standing(document, allowed)
    for g in document["guards"]:
        yield "", f"{'guard' if g['guard'] in stands else 'allowed'}: {g['guard']}: {g['words']}"


def _gone(room: Document) -> Iterator[Row3]:
    lines = [text for text in (room["change"], room["words"]) if text]
    lines += [_of_device(d) for d in room["devices"]]
    for number, line in enumerate(lines or [""]):
        yield (room["room"], room["state"], line) if number == 0 else ("", "", line)


def _of_device(counted: Document) -> str:
    """What happened to a device, which most reasons name already."""
    device, words = counted["device"], str(counted["words"])
    return words if words.startswith(f"{device} ") else f"{device}: {words}"
