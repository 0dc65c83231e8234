"""Agreed deviations and guest sessions as people read them."""

from __future__ import annotations

from fleet.faces.cli.clock import Clock
from fleet.faces.cli.show import say, table, table_or_none, tell
from fleet.faces.cli.show_agreed import brief, together
from fleet.faces.documents import Document
from fleet.model.listing import counted, listed


def deviations(document: Document, clock: Clock) -> None:
    """Each with what differs, whose it is, why, and its last day; those that have ended say so."""
    rows = [
        (f"{d['room']}/{d['position']}", _until(d, clock), d["owner"], f"{brief(ones)} ({d['reason']})")
        for ones in together(document["deviations"], _terms)
        for d in ones[:1]
    ]
    table_or_none(rows, ("POSITION", "UNTIL", "OWNER", "WHAT"), "no agreed deviations")


def found(document: Document) -> None:
    """The differences that are about to be agreed."""
    say(f"{document['room']}/{document['position']}:")
    table([(d["setting"], d["grade"], _as_found(d)) for d in document["differences"]], indent=2)


def agreed(document: Document) -> None:
    """What was agreed, or ended."""
    for ones in together(document["deviations"], _terms):
        first = ones[0]
        over = "no longer agreed, it counts as a difference again"
        how = f"agreed until {first['until']}" if first["stands"] else over
        table([(f"{first['room']}/{first['position']}, {brief(ones)}: {how}",)])


def sessions(document: Document) -> None:
    """Each session with its guest, where it is, and what of it is open."""
    rows = [(s["room"], s["state"], s["until_local"], _session(s)) for s in document["sessions"]]
    table_or_none(rows, ("ROOM", "STATE", "UNTIL", "GUEST"), "no guest sessions")


def begun(session: Document) -> None:
    """What was written down before the guest, and what is not in it."""
    ceiling = "" if session["ceiling_db"] is None else f", no louder than {session['ceiling_db']:g} dB"
    table([(f"{session['room']} has a guest until {session['until_local']}: {session['guest']}{ceiling}",)])
    say(f"  snapshot {session['snapshot']}, as it was before")
    if session["unread"]:
        tell(f"{listed(session['unread'])} did not answer: what they are now is not known, and cannot be put back")
    if session["above_ceiling"]:
        tell(f"{listed(session['above_ceiling'])} are above the ceiling already")


def ended(session: Document) -> None:
    """How the room was left, and what can be done."""
    room = session["room"]
    if session["compared"] is None:
        table([(f"{session['guest']} has left {room}; it is compared once its devices can be reached",)])
    elif session["closed"] is None:
        if session["apart"]:
            count = counted(len(session["apart"]), "position")
            table([(f"{room}: {count} not as before {session['guest']} ({listed(session['apart'])})",)])
        if session["away"]:
            table([(f"{room}: {listed(session['away'])} could not be compared, since boxes are off",)])
        say(f"  to put it back: fleet guest {room} --put-back")
        say(f"  to leave it as it is: fleet guest {room} --end")
    elif session["closed_by"]:
        say(f"{room} is left as it is: nothing is offered to be put back any more")
    elif session["not_compared"]:
        table([(f"{room}: what could be compared is as it was before {session['guest']}",)])
        table([("not compared:", words) for words in session["not_compared"]], indent=2)
    else:
        say(f"{room} is as it was before {session['guest']}")


def _terms(deviation: Document) -> tuple[str, ...]:
    """What deviations share that somebody signed for together, and ended together."""
    return tuple(str(deviation[name]) for name in ("owner", "reason", "who", "at", "until", "ended", "ended_by"))


def _until(deviation: Document, clock: Clock) -> str:
    if deviation["stands"]:
        return str(deviation["until"])
    by = f" by {deviation['ended_by']}" if deviation["ended_by"] else ""
    return f"ended {clock.day(deviation['over'])}{by}"


def _as_found(difference: Document) -> str:
    words = str(difference["words"])
    return f"{words}; agreed already until {difference['agreed']['until']}" if difference["agreed"] else words


def _session(session: Document) -> str:
    parts = [session["guest"]]
    if session["ceiling_db"] is not None:
        parts.append(f"no louder than {session['ceiling_db']:g} dB")
    if session["why"]:
        parts.append(session["why"])
    if session["closed"] is None and session["apart"]:
        parts.append(f"not as before: {listed(session['apart'])}")
    if session["closed"] is None and session["away"]:
        parts.append(f"off at the end: {listed(session['away'])}")
    return "; ".join(parts)
