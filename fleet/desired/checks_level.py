"""Checks of predicted levels: what the boxes keep up, what a room is meant to have, what people should be in for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.acoustics.exposure import (
    EU_LOWER_ACTION_DBA,
    EU_UPPER_ACTION_DBA,
    NIOSH,
    WHO_LIMIT_DBA,
    dose_percent,
    lex_8h_dba,
    who_minutes,
)
from fleet.acoustics.level import headroom_db
from fleet.desired.finding import PRACTICE, Check, Design, Remark, Severity
from fleet.desired.prediction import Prediction, level_at_1m_db, predictions
from fleet.desired.wording import quoted

ROUNDING: Final = 1e-9


def headroom(design: Design) -> Iterator[Remark]:
    """A box that would play louder than it can keep up."""
    for position in design.ours():
        level, box = level_at_1m_db(position), position.loudspeaker
        if level is None or box is None or box.limit_at_1m_db is None:
            continue
        left = float(headroom_db(level, box.limit_at_1m_db))
        if left < -ROUNDING:
            peaks = f", its peaks {level + box.crest_factor_db:.1f} dB" if box.crest_factor_db is not None else ""
            text = (
                f"{quoted(position.name)} would play {level:.1f} dB at 1 m{peaks}; it keeps up {box.limit_at_1m_db:g} "
                f"dB, which is {-left:.1f} dB less"
            )
            yield Remark("warning", position, "level_db", text)


def max_level(design: Design) -> Iterator[Remark]:
    """A predicted level at a listening point above what the room is meant to have."""
    for room in design.rooms():
        for predicted in predictions(room):
            if room.max_level_db is not None and predicted.level_db > room.max_level_db + ROUNDING:
                text = (
                    f"{_told(predicted)}, above the room's `max_level_db` of {room.max_level_db:g} dB by "
                    f"{predicted.level_db - room.max_level_db:.1f} dB"
                )
                yield Remark("warning", room, "max_level_db", text)


def exposure(design: Design) -> Iterator[Remark]:
    """A predicted level that people should not be in for as long as they would be."""
    for room in design.rooms():
        for predicted in predictions(room):
            level = predicted.level_db
            if level > WHO_LIMIT_DBA + ROUNDING:
                minutes = float(who_minutes(level))
                text = (
                    f"{_told(predicted)}: over the WHO's 100 dB LAeq,15 min, reached after {minutes:.1f} minutes of 15"
                )
                yield Remark("warning", room, "listen_at_m", text)
            if room.exposure_hours is None:
                continue
            daily = float(lex_8h_dba(level, room.exposure_hours))
            severity: Severity = "warning" if daily > EU_UPPER_ACTION_DBA + ROUNDING else "note"
            if daily > EU_LOWER_ACTION_DBA + ROUNDING:
                action = EU_UPPER_ACTION_DBA if severity == "warning" else EU_LOWER_ACTION_DBA
                text = (
                    f"{_told(predicted)}; {room.exposure_hours:g} h a day of it are LEX,8h {daily:.1f} dB, over the "
                    f"{action:g} dB action value of 2003/10/EC, and "
                    f"{dose_percent(level, room.exposure_hours, NIOSH):.0f} % of a day's dose by NIOSH 98-126"
                )
                yield Remark(severity, room, "exposure_hours", text)


def _told(predicted: Prediction) -> str:
    x, y, z = predicted.at_m
    return f"about {predicted.level_db:.1f} dB are to be expected at [{x:g}, {y:g}, {z:g}]"


_PREDICTED: Final = (
    "The prediction is continuous, A-weighted, free field and on axis: `loudspeaker.level_at_1m_db` + `level_db` "
    "- 20 lg(distance) - what air takes at 1 kHz. Members of a coherent set add in phase, all others by energy. EQ "
    "boost is not added. A room adds reverberation. It is calculated, not a measurement."
)

CHECKS: Final = (
    Check(
        name="headroom",
        look=headroom,
        severities=("warning",),
        seeks="`loudspeaker.level_at_1m_db` and `level_db` together above `loudspeaker.limit_at_1m_db`.",
        explains="Its limiter would work all the time. Both levels are continuous: a peak level, which lies higher by "
        "the crest factor (6 dB for test noise, 12 dB and more for programme), does not compare with them. EQ boost "
        "is not added.",
        source="IEC 60268-5 for the crest factor of test noise; else " + PRACTICE,
    ),
    Check(
        name="max-level",
        look=max_level,
        severities=("warning",),
        seeks="A predicted level at a listening point above the room's `max_level_db`.",
        explains=_PREDICTED,
        source="L. L. Beranek, Acoustics (sums of levels); ISO 9613-1:1993 (air)",
    ),
    Check(
        name="exposure",
        look=exposure,
        severities=("warning", "note"),
        seeks="A predicted level over 100 dB, or with `exposure_hours` a daily exposure LEX,8h over 80 dB (note) or "
        "85 dB (warning).",
        explains="100 dB LAeq,15 min is the limit for safe listening venues; 80 and 85 dB are the action values for "
        "those who work there; NIOSH allows 8 h at 85 dB and half the time for each 3 dB more. Limits differ by "
        "country and role: the lower one is the better one. A peak is never compared with them. " + _PREDICTED,
        source="WHO, Global standard for safe listening venues and events (2022); Directive 2003/10/EC, article 3; "
        "NIOSH 98-126 (1998)",
    ),
)
