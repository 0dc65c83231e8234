"""The JSON documents of walks."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.walk import Heard, Lead, Walk, WalkState
from fleet.reconcile.walk_findings import all_right, compared, findings, line_is_right, off_percent


def walk(
    one: Walk, baseline: Walk | None, *, lead: Lead, goes_back_in_s: float | None, all_back: bool, time_zone: str
) -> Document:
    """A walk as it stands, what it found, and in `against` what is another than at the baseline, where there is one.

    `all_right` is true where it is done, every position has four times yes, and every line measured is right.
    """
    return {
        "format": "fleet-walk/1",
        **_walk(one, lead),
        "goes_back_in_s": goes_back_in_s,
        "all_back": all_back,
        "against": _against(baseline, one, time_zone) if baseline else None,
    }


def walks(every: Iterable[Walk], lead_of: Callable[[Walk], Lead]) -> Document:
    """All walks, last begun first."""
    return {"format": "fleet-walks/1", "walks": [_walk(one, lead_of(one)) for one in every]}


def _walk(one: Walk, lead: Lead) -> Document:
    data: Document = plain(one)
    missed = [n for n in one.not_walked if not n.life_safety]
    done = one.state is WalkState.DONE
    return {
        **data,
        "led_by": lead.who,
        "screen": lead.screen,
        "has_ended": one.state is not WalkState.WALKING,
        "is_baseline": done and one.as_baseline,
        "left": list(one.left),
        "heard": [_heard(h, h_data) for h, h_data in zip(one.heard, data["heard"], strict=True)],
        "findings": [plain(finding) for finding in findings(one)],
        "all_right": done and not missed and all(all_right(h) for h in one.heard),
    }


def _heard(one: Heard, data: Document) -> Document:
    """`off_percent` is the measured line against V²/P, `line_is_right` whether that is within 20 %."""
    return {
        **data["step"],
        "answers": data["answers"],
        "who": data["who"],
        "answered": data["at"],
        "off_percent": off_percent(one),
        "line_is_right": line_is_right(one),
    }


def _against(baseline: Walk, one: Walk, time_zone: str) -> Document:
    return {
        "walk": baseline.id,
        "began": plain(baseline)["began"],
        "findings": [plain(finding) for finding in compared(baseline, one, time_zone)],
    }
