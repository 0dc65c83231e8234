"""Carrying out a change of one room: its plan is shown, asked about once, started by its hash, and followed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import Moved
from fleet.faces.cli import options, show
from fleet.faces.cli.asking import LOOK_FIRST, agree
from fleet.faces.cli.options import DIFFERS, SAME, TROUBLE
from fleet.faces.cli.progress import follow
from fleet.faces.documents import Document
from fleet.model.change import check_trial_length
from fleet.model.durations import seconds_of
from fleet.model.listing import counted
from fleet.model.plan import check_guard_names


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


def carry_out(asked: Document, how: How, *, keep_within: str = "", expect: str = "") -> None:
    """Show the plan, ask once, start it by its hash, follow it to its end.

    Raises `Moved` where the plan is not the one that was expected.
    """
    check_guard_names(how.allowed)
    trial_s = seconds_of(keep_within, "--keep-within") if keep_within else None
    if trial_s is not None:
        check_trial_length(trial_s)
    daemon = options.daemon(how.home)
    plan = daemon.post("/plans", asked)
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
        if how.json:
            options.print_json(plan)
        options.end(_done(plan))
    if not how.yes:
        _confirm(plan, how.allowed)
    body = {**asked, "digest": plan["digest"], "who": options.who(), "why": how.why, "allow": how.allowed}
    started = daemon.post("/changes", {**body, "keep_within_s": trial_s})
    end_with(follow(daemon, started["id"], or_trial=True), json=how.json)


def end_with(change: Document, *, json: bool) -> None:
    """Show how a change that was to be kept ended, and end the command."""
    options.print_json(change) if json else show.change(change)
    options.end(_done(change["plan"]) if change["state"] in {"kept", "on trial"} else TROUBLE)


def _done(plan: Document) -> int:
    """0 where all that was asked for is done, 1 where a box that could not take part was left out."""
    return DIFFERS if any(one["unable"] for one in plan["left_out"]) else SAME


def _show_plan(plan: Document, allowed: Collection[str], trial_s: float | None) -> None:
    show.plan(plan, allowed)
    if trial_s is not None:
        show.trial(plan, trial_s)


def _confirm(plan: Document, allowed: Collection[str]) -> None:
    if standing := show.standing(plan, allowed):
        show.tell(f"guard rails stand against this: {', '.join(standing)}")
        return  # the daemon refuses, and says how
    agree(f"Do this to {counted(len(plan['devices']), 'device')}?", remedy=LOOK_FIRST)
