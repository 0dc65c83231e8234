"""Asking a person once, before anything is done."""

from __future__ import annotations

import sys

import typer

from fleet.errors import Refused

LOOK_FIRST = "Give --yes, or --plan to only look."
"""The remedy of a command that can show its plan."""


def agree(question: str, *, remedy: str) -> None:
    """Ask, and return where the answer is yes.

    Raises `Refused` for any other answer, and with this remedy where there is no terminal to ask at.
    """
    if not sys.stdin.isatty():
        raise Refused("there is no terminal to ask at", remedy=remedy)
    try:
        agreed = typer.confirm(question, err=True)
    except typer.Abort:
        agreed = False
    if not agreed:
        raise Refused("not confirmed: nothing was done")
