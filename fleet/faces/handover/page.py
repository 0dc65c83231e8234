"""The page of a hand-over: one HTML document that holds everything it shows, for screen and for A4."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from fleet import __version__
from fleet.faces.handover import words
from fleet.faces.handover.curves import described, picture
from fleet.faces.templates import style_of, templates_in
from fleet.model.difference import Grade
from fleet.model.listing import listed
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.words import band_words
from fleet.services.handover.pack import HandOver

TEMPLATES: Final = Path(__file__).parent / "templates"


def page(pack: HandOver) -> str:
    """The whole document. Every text in it is bounded and escaped, wherever it came from."""
    environment = templates_in(TEMPLATES)
    environment.filters.update(
        when=lambda moment: on_the_clock(moment, pack.time_zone),
        quantity=_quantity,
        bands=lambda bands: [band_words(band) for band in bands],
        listed=listed,
    )
    return environment.get_template("handover.html").render(
        pack=pack,
        words=words,
        tool=__version__,
        style=style_of(TEMPLATES / "handover.css"),
        picture=lambda curve: Markup(picture(curve)),  # noqa: S704 - base64 of our own making
        described=described,
        figures=_figures(pack),
        firmware=_firmware(pack),
        differing={(d.room, d.position, d.setting) for d in pack.comparison.differences if d.subject == "live"},
        open_differences=[d for d in pack.comparison.differences if d.agreed is None],
        agreed_now={(d.room, d.position, d.subject, d.setting, d.slot) for d in pack.comparison.agreed()},
        serious=Grade.SERIOUS,
        heard={(walk.room, one.step.position): one for walk in pack.walks for one in walk.heard},
        walked={walk.room for walk in pack.walks},
    )


def _quantity(value: float | None, unit: str, digits: int = 6) -> str:
    """A number with its unit; a dash where there is none."""
    if value is None:
        return "–"
    return f"{value:.{digits}g} {unit}"


def _figures(pack: HandOver) -> Mapping[str, int]:
    """The numbers of the summary."""
    bound = [row for row in pack.schedule if row.position]
    grades = Counter(d.grade for d in pack.comparison.differences if d.agreed is None)
    severities = Counter(f.severity for f in pack.checked.findings)
    proofs = Counter(s.proof for s in pack.slots)
    tapped = [p.figures for r in pack.rooms for p in r.positions if p.figures and p.line and p.line.volts is not None]
    return {
        "positions": len(bound),
        "compared": len(pack.comparison.checked),
        "life_safety": sum(row.life_safety for row in bound),
        "missed": sum(n.reason != "life_safety" for n in pack.comparison.not_checked),
        "serious": grades[Grade.SERIOUS],
        "audible": grades[Grade.AUDIBLE],
        "slight": grades[Grade.SLIGHT],
        "agreed": len(pack.comparison.agreed()),
        "errors": severities["error"],
        "warnings": severities["warning"],
        "notes": severities["note"],
        "silenced": len(pack.checked.silenced),
        "slots_equal": proofs["equal"] + proofs["slightly apart"],
        "slots": len(pack.slots) - proofs["not desired"] - proofs["left alone"],
        "taps": sum(f.count for f in tapped),
        "taps_set": sum(f.set for f in tapped),
        "taps_checked": sum(f.checked for f in tapped),
    }


def _firmware(pack: HandOver) -> list[dict[str, Any]]:
    """Which firmware the devices of each model have, and which devices those are."""
    found: dict[tuple[str, str], set[str]] = defaultdict(set)
    versions: dict[str, set[str]] = defaultdict(set)
    for row in pack.schedule:
        told = row.record.description if row.record else None
        if told is not None:
            found[told.model, told.firmware].add(row.device)
            versions[told.model].add(told.firmware)
    return [
        {"model": model, "firmware": firmware, "devices": sorted(devices), "mixed": len(versions[model]) > 1}
        for (model, firmware), devices in sorted(found.items())
    ]
