"""How long a level may last, by each published criterion under its own name."""

from __future__ import annotations

from fleet.acoustics import exposure
from fleet.services.calculators.answer import Answer, asked


def allowed_time(level_dba: float) -> Answer:
    """Allowed time at a steady A-weighted level by NIOSH, OSHA, the EU directive and the WHO venue standard."""
    with asked(level_dba="--level-db"):
        values = {
            "niosh_minutes": 60 * float(exposure.allowed_hours(level_dba, exposure.NIOSH)),
            "osha_minutes": 60 * float(exposure.allowed_hours(level_dba, exposure.OSHA)),
            "eu_upper_action_minutes": 60 * float(exposure.allowed_hours_for_lex_8h(level_dba)),
            "who_minutes_in_15": float(exposure.who_minutes(level_dba)),
        }
    return Answer(
        values=values,
        formula="T = 8 h / 2^((L - criterion) / exchange rate); equal energy for the EU and the WHO",
        source="NIOSH 98-126; 29 CFR 1910.95; Directive 2003/10/EC; WHO venues standard 2022 (100 dB LAeq,15 min)",
        cautions=(
            "Local law decides, and differs for staff, audience and children. Prefer the lower number.",
            "This is a calculator, not a sound level meter: A-weighted, continuous, never a peak level.",
        ),
    )
