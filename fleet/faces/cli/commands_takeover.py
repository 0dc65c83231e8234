"""The command of a new database: take devices over from the one that commanded them."""

from __future__ import annotations

from fleet.faces.cli import options
from fleet.faces.cli.asking import agree
from fleet.faces.cli.options import SAME, Home, Json, Yes
from fleet.faces.cli.show import say, table
from fleet.faces.documents import Document
from fleet.model.listing import counted


def take_over(yes: Yes = False, home: Home = None, json: Json = False) -> None:
    """Let this database command the devices of another one. From then on they refuse the other one.

    Example: fleet take-over
    """
    daemon = options.daemon(home)
    found = daemon.get("/take-over")
    if found["above"]:
        if not json:
            _show(found)
        if not yes:
            agree(f"Take over {counted(len(found['above']), 'device')}?", remedy="Give --yes.")
        found = daemon.post("/take-over", {"who": options.who()})
    if json:
        options.print_json(found)
    elif found["taken"]:
        number = len(found["above"])
        say(f"taken over: the epoch is {found['epoch_wanted']} now; {counted(number, 'device')} had known a higher one")
    else:
        _show(found)
    options.end(SAME)


def _show(found: Document) -> None:
    answered = counted(found["answered"], "device")
    if found["above"]:
        say(f"the epoch of this database is {found['epoch']}; devices know a higher one, and refuse it:")
        table([(device, f"epoch {number}") for device, number in found["above"].items()], indent=2)
        say("another database has commanded them; it will be refused once this one takes over")
    else:
        say(f"nothing to do: {answered} answered, none knows a higher epoch than {found['epoch']}")
    if found["unsure"]:
        say(f"{counted(len(found['unsure']), 'device')} not known for certain:")
        table(list(found["unsure"].items()), indent=2)
