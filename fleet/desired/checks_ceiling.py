"""Checks of loudspeakers in a ceiling: an angle that promises too much, and gaps between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.acoustics.coverage import WIDE_ANGLE_DEG, diameter_m, edge_loss_db, spacing_m, uncovered_share
from fleet.desired.finding import PRACTICE, Check, Design, Remark

NO_CONE_DEG: Final = 180.0


def ceiling_angle(design: Design) -> Iterator[Remark]:
    """A coverage angle that no cone has, or that listeners at its edge do not get."""
    for room in design.rooms():
        angle = room.ceiling.angle_deg if room.ceiling else 0.0
        if angle >= NO_CONE_DEG:
            yield Remark("error", room, "ceiling", f"no cone has an angle of {angle:g} degrees; give less than 180")
        elif angle > WIDE_ANGLE_DEG:
            text = (
                f"{angle:g} degrees promise more than listeners get: at the edge distance alone takes "
                f"{edge_loss_db(angle):.1f} dB besides the 6 dB of the angle; plan with 120 degrees or less"
            )
            yield Remark("warning", room, "ceiling", text)


def ceiling_spacing(design: Design) -> Iterator[Remark]:
    """Loudspeakers so far apart that parts of the floor lie outside of every circle."""
    for room in design.rooms():
        ceiling = room.ceiling
        if ceiling is None or ceiling.spacing_m is None or ceiling.angle_deg >= NO_CONE_DEG:
            continue
        diameter = diameter_m(ceiling.height_m, ceiling.ear_m, ceiling.angle_deg)
        widest = spacing_m(diameter, ceiling.pattern, "overlap")
        if ceiling.spacing_m > widest * (1 + 1e-9):
            share = 100 * uncovered_share(ceiling.spacing_m, diameter, ceiling.pattern)
            text = (
                f"a spacing of {ceiling.spacing_m:g} m leaves {share:.1f} % of the floor outside of every circle of "
                f"{diameter:.2f} m; {ceiling.pattern}, {widest:.2f} m leave none"
            )
            yield Remark("warning", room, "ceiling", text)


CHECKS: Final = (
    Check(
        name="ceiling-angle",
        look=ceiling_angle,
        severities=("error", "warning"),
        seeks="A coverage angle over 120 degrees (warning), or of 180 and more (error).",
        explains="The covered circle grows with tan(angle / 2), which has no end at 180 degrees. At 120 degrees the "
        "listener at its edge is 6.0 dB down by distance and 6 dB by the angle. Angles are often given for 1 kHz; at "
        "4 kHz they are narrower.",
        source="geometry; 120 degrees: common practice, no published source",
    ),
    Check(
        name="ceiling-spacing",
        look=ceiling_spacing,
        severities=("warning",),
        seeks="A spacing over 0.707 of the covered diameter in a square pattern, or 0.866 of it in a hexagonal one.",
        explains="The diameter at ear height is 2 (height - ear) tan(angle / 2): 3.6 m for 3 m, 1.2 m and 90 degrees. "
        "Square at 2.54 m every place lies in a circle; edge to edge at 3.6 m 21.5 % of the floor lies in none.",
        source="geometry; names of the patterns: " + PRACTICE,
    ),
)
