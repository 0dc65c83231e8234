"""The story of a change in time order, in words: what devices did side by side is told in one line."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from fleet.faces.cli.clock import Clock
from fleet.faces.cli.show import change, table
from fleet.faces.documents import Document

STATES = {
    "staging": "staging: devices hold the work ready, nothing sounds yet",
    "committing": "committing: the work is done, a step at a time on all devices",
    "verifying": "verifying: every device is read back",
    "on trial": "on trial: all is as wanted, and waits for a person",
    "keeping": "keeping: all is as wanted and is made to last",
    "rolling back": "rolling back",
    "checking": "checking: are they as they were?",
    "recovering": "recovering: a daemon started, and reads every device first",
    "kept": "kept",
    "rolled back": "rolled back: all is as it was",
    "cancelled": "cancelled: nothing has sounded",
    "needs a person": "needs a person",
}
ASKED = {
    "stage": "to hold ready",
    "commit mute": "to mute",
    "commit recall": "to recall the slot",
    "commit set": "to take the settings",
    "commit store": "to take the slot contents",
    "commit unmute": "to unmute",
    "commit ramp": "to rise a step",
    "read": "to be read",
    "keep": "to keep it",
    "revert": "to go back",
    "write back": "to take the checkpoint",
    "forget": "to drop what it holds",
}


def story(document: Document, clock: Clock) -> None:
    """How a change ended, who asked for it and why, and everything that happened."""
    started = document["started_at"]
    change(document, clock)
    table([(f"{document['who']}, {clock.told(started, 'seconds')}", document["why"])], indent=2)
    table([(clock.time(at, started, "milliseconds"), words) for at, words in _rows(document["story"])], indent=2)


def _rows(entries: list[Document]) -> Iterator[tuple[str, str]]:
    for (what, by_device), several in groupby(entries, key=lambda e: (e["what"], bool(e["device"]))):
        together = list(several)
        who = [f"{e['device']}{': ' if e['device'] and e['detail'] else ''}{e['detail']}" for e in together]
        at = together[0]["at"]
        said = ", ".join(w for w in who if w)
        if by_device:
            yield at, f"- asked {ASKED[what]}: {said}" if what in ASKED else f"- {what}: {said}"
        elif said:
            yield at, f"{what}: {said}"
        else:
            yield at, STATES.get(what, what)
