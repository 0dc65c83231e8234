"""Carrying out a change of one room: its plan is shown, asked about once, started by its hash, and followed."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, TypeAlias

from fleet.errors import Moved
from fleet.faces.cli import options, show
from fleet.faces.cli.asking import LOOK_FIRST, agree
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.options import DIFFERS, SAME, TROUBLE
from fleet.faces.cli.progress import follow
from fleet.faces.documents import Document
from fleet.model.change import check_trial_length
from fleet.model.durations import seconds_of
from fleet.model.listing import counted
from fleet.model.plan import check_guard_names

After: TypeAlias = Callable[[Daemon, Document, Document | None], Document]
"""What comes after a change is kept, or was not needed: given the plan and the change, further members of its JSON."""
STORED_AGAIN = "stored_again"
"""The member that holds a change which came after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How a person wants something carried out, whatever it is."""

    allow: list[str] | None = None
    yes: bool = False
    plan_only: bool = False
    why: str = ""
    home: Path | None = None
    json: bool = False

    @property
    def allowed(self) -> list[str]:
        """Guard rails that are lifted."""
        return self.allow or []


def carry_out(
    asked: Document,
    how: How,
    *,
    keep_within: str = "",
    expect: str = "",
    plans: str = "/plans",
    starts: str = "/changes",
    after: After | None = None,
) -> None:
    """Show the plan, ask once, start it by its hash, follow it to its end.

    `plans` and `starts` are the routes that plan what is asked for, and start it; `after` does what comes after it.
    Raises `Moved` where the plan is not the one that was expected.
    """
    check_guard_names(how.allowed)
    trial_s = seconds_of(keep_within, "--keep-within") if keep_within else None
    if trial_s is not None:
        check_trial_length(trial_s)
    daemon = options.daemon(how.home)
    plan = daemon.post(plans, asked)
    if how.plan_only:
        options.print_json(plan) if how.json else _show_plan(plan, how.allowed, trial_s)
        options.end(SAME if plan["empty"] else DIFFERS)
    if expect and not plan["digest"].startswith(expect):
        raise Moved(
            f"the plan is {plan['digest'][:12]} by now, not {expect[:12]}", remedy="Look at it again with --plan."
        )
    if not how.json:
        show.say(f"{plan['kind']} {plan['scope']}:")
        _show_plan(plan, how.allowed, trial_s)
    if plan["empty"]:
        if not how.json:
            show.afterwards(plan)
        more = after(daemon, plan, None) if after is not None else {}
        if how.json:
            options.print_json({**plan, **more})
        options.end(_done(plan, more))
    if not how.yes:
        _confirm(plan, how.allowed)
    if plan["until"]:  # `2h` is another time by now than when the plan was shown
        asked = {**asked, "until": plan["until"]}
    body = {**asked, "digest": plan["digest"], "who": options.who(), "why": how.why, "allow": how.allowed}
    started = daemon.post(starts, {**body, "keep_within_s": trial_s})
    change = follow(daemon, started["id"], or_trial=True)
    if after is None or change["state"] != "kept":
        end_with(daemon, change, json=how.json)
    if not how.json:
        show.change(change, daemon.clock())
    more = after(daemon, plan, change)
    if how.json:
        options.print_json({**change, **more})
    options.end(_done(change["plan"], more))


def end_with(daemon: Daemon, change: Document, *, json: bool) -> NoReturn:
    """Show how a change that was to be kept ended, and end the command."""
    options.print_json(change) if json else show.change(change, daemon.clock())
    options.end(_done(change["plan"]) if change["state"] in {"kept", "on trial"} else TROUBLE)


def _done(plan: Document, more: Document | None = None) -> int:
    """0 where all that was asked for is done, 1 where a box that could not take part was left out.

    2 where a change that came after it was not kept.
    """
    if more and (later := more.get(STORED_AGAIN)) is not None and later["state"] != "kept":
        return TROUBLE
    return DIFFERS if any(one["unable"] for one in plan["left_out"]) else SAME


def _show_plan(plan: Document, allowed: Collection[str], trial_s: float | None) -> None:
    show.plan(plan, allowed)
    if trial_s is not None and not plan["empty"]:
        show.trial(plan, trial_s)


def _confirm(plan: Document, allowed: Collection[str]) -> None:
    if standing := show.standing(plan, allowed):
        show.tell(f"guard rails stand against this: {', '.join(standing)}")
        return  # the daemon refuses, and says how
    number = len(plan["devices"])
    agree(f"Do this to {counted(number, 'device')}?" if number else "Do this? No device changes.", remedy=LOOK_FIRST)
