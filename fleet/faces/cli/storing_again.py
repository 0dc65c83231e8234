"""After a recall: which slots want storing again, and doing that in the same go."""

from __future__ import annotations

from fleet.faces.cli import options, show
from fleet.faces.cli.carrying_out import STORED_AGAIN, How
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.progress import follow
from fleet.faces.documents import Document


def after_recall(
    daemon: Daemon, plan: Document, change: Document | None, *, asked: Document, how: How, store: bool
) -> Document:
    """Offer to store what no slot holds any more, or do it: as a second change, once the recall is kept."""
    positions, offers = list(plan["store_again"]), list(plan["afterwards"])
    if change is not None:
        seen = daemon.get(path("changes", change["id"], "store-again"))
        positions, offers = seen["positions"], seen["offers"]
    more: Document = {"store_again": positions, "offers": offers, STORED_AGAIN: None}
    if not how.json and not store:
        show.offers(words for words in offers if words not in plan["afterwards"])
    if not positions or not store:
        return more
    room = asked["room"]
    names = [name for one, name in (p.split("/", 1) for p in positions) if one == room]
    second = {"kind": "store", "room": room, "positions": names, "also": asked.get("also", [])}
    return {**more, STORED_AGAIN: _stored(daemon, second, how)}


def _stored(daemon: Daemon, asked: Document, how: How) -> Document:
    plan = daemon.post("/plans", asked)
    if not how.json:
        show.say(f"{plan['kind']} {plan['scope']}:")
        show.plan(plan, how.allowed)
    body = {**asked, "digest": plan["digest"], "who": options.who(), "why": how.why, "allow": how.allowed}
    change = follow(daemon, daemon.post("/changes", body)["id"])
    if not how.json:
        show.change(change, daemon.clock())
    return change
