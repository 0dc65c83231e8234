"""The simulated models, as data: all names and figures are of our own invention."""

from __future__ import annotations

from .abilities import Equaliser, Filter, Model, Output, PowerUp, Range, Slots

_SAMPLE_48K_MS = 1 / 48
_SAMPLE_96K_MS = 1 / 96
_ALL_SETTINGS = ("level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass")
_ALL_SHAPES = ("bell", "low_shelf", "high_shelf")
_LONG_SLOPES = {"linkwitz_riley": (12, 24), "butterworth": (12, 18, 24)}
_SHORT_SLOPES = {"linkwitz_riley": (24,), "butterworth": (12, 24)}

# A full-range powered box: everything, and comes back as it was.
FENNBECK = Model(
    name="Fennbeck 12",
    prefix="fenn",
    firmware="2.3.1",
    sample_rate_hz=48_000,
    latency_ms=2.1,
    q_convention="cookbook",
    outputs=(
        Output(
            name="main",
            passband_hz=(58, 18_000),
            level_db=Range(-80, 6, 0.5),
            delay_ms=Range(0, 200, _SAMPLE_48K_MS),
            polarity=True,
            eq=Equaliser(10, _ALL_SHAPES, Range(20, 20_000, 0), Range(-15, 15, 0.1), Range(0.3, 20, 0.01)),
            high_pass=Filter(_LONG_SLOPES, Range(20, 500, 1)),
            low_pass=Filter(_SHORT_SLOPES, Range(40, 20_000, 1)),
            protective_high_pass_hz=55,
        ),
    ),
    inputs=("analogue", "network"),
    panel_lock=True,
    power_up=PowerUp("last_state", None, slot_settable=False),
    slots=Slots(8, (1, 2), _ALL_SETTINGS, readable_inactive=True, store_needs_live=False, store_interval_s=0),
    features=("stage", "revert_timer"),
)

# A compact fill box that always comes back in its first factory slot.
RILLET = Model(
    name="Rillet 5",
    prefix="rill",
    firmware="1.8.0",
    sample_rate_hz=96_000,
    latency_ms=1.4,
    q_convention="cookbook",
    outputs=(
        Output(
            name="main",
            passband_hz=(95, 19_000),
            level_db=Range(-60, 6, 0.25),
            delay_ms=Range(0, 150, _SAMPLE_96K_MS),
            polarity=True,
            eq=Equaliser(8, _ALL_SHAPES, Range(20, 20_000, 1), Range(-12, 12, 0.25), Range(0.3, 16, 0.05)),
            high_pass=Filter(_LONG_SLOPES, Range(40, 1_000, 1)),
            low_pass=Filter(_SHORT_SLOPES, Range(100, 20_000, 1)),
            protective_high_pass_hz=80,
        ),
    ),
    inputs=("analogue", "network"),
    panel_lock=True,
    power_up=PowerUp("default_slot", 1, slot_settable=False),
    slots=Slots(
        6,
        (1, 2),
        (*_ALL_SETTINGS, "input"),
        readable_inactive=True,
        store_needs_live=False,
        store_interval_s=0,
    ),
    features=("stage", "revert_timer"),
)

# A subwoofer: Q told the constant-Q way, the default slot can be chosen, other slots cannot be read.
UNDERMERE = Model(
    name="Undermere 18",
    prefix="under",
    firmware="3.0.4",
    sample_rate_hz=48_000,
    latency_ms=3.0,
    q_convention="constant_q",
    outputs=(
        Output(
            name="sub",
            passband_hz=(32, 120),
            level_db=Range(-80, 10, 0.5),
            delay_ms=Range(0, 300, _SAMPLE_48K_MS),
            polarity=True,
            eq=Equaliser(5, ("bell",), Range(20, 400, 0.5), Range(-12, 6, 0.5), Range(0.4, 10, 0.1)),
            high_pass=Filter({"butterworth": (24,)}, Range(20, 60, 1)),
            low_pass=Filter(_LONG_SLOPES, Range(50, 200, 1)),
            protective_high_pass_hz=28,
        ),
    ),
    inputs=(),
    panel_lock=True,
    power_up=PowerUp("default_slot", 1, slot_settable=True),
    slots=Slots(4, (1,), _ALL_SETTINGS, readable_inactive=False, store_needs_live=False, store_interval_s=0),
    features=("stage", "revert_timer"),
)

# A column: long latency, no timer, stores only what is live, and neither delay nor polarity.
REEDWATER = Model(
    name="Reedwater 84",
    prefix="reed",
    firmware="5.1.2",
    sample_rate_hz=96_000,
    latency_ms=6.5,
    q_convention="constant_q",
    outputs=(
        Output(
            name="column",
            passband_hz=(110, 17_000),
            level_db=Range(-70, 0, 0.1),
            delay_ms=Range(0, 1_000, _SAMPLE_96K_MS),
            polarity=True,
            eq=Equaliser(16, _ALL_SHAPES, Range(50, 20_000, 0), Range(-18, 12, 0.1), Range(0.2, 30, 0.01)),
            high_pass=Filter(_LONG_SLOPES, Range(60, 800, 1)),
            low_pass=None,
            protective_high_pass_hz=90,
        ),
    ),
    inputs=("analogue", "network"),
    panel_lock=True,
    power_up=PowerUp("last_state", None, slot_settable=False),
    slots=Slots(
        12,
        (1, 2, 3),
        ("level_db", "eq", "high_pass"),
        readable_inactive=False,
        store_needs_live=True,
        store_interval_s=0,
    ),
    features=("stage",),
)

# A four-output amplifier for 100 V lines and plain loudspeakers; slow memory.
WEIRHOUSE = Model(
    name="Weirhouse 4",
    prefix="weir",
    firmware="4.2.0",
    sample_rate_hz=48_000,
    latency_ms=1.8,
    q_convention="cookbook",
    outputs=tuple(
        Output(
            name=f"line {letter}",
            passband_hz=(70, 18_000),
            level_db=Range(-80, 0, 0.5),
            delay_ms=Range(0, 680, _SAMPLE_48K_MS),
            polarity=True,
            eq=Equaliser(8, _ALL_SHAPES, Range(20, 20_000, 0), Range(-15, 15, 0.5), Range(0.3, 20, 0.01)),
            high_pass=Filter(_LONG_SLOPES, Range(20, 500, 1)),
            low_pass=Filter(_SHORT_SLOPES, Range(40, 20_000, 1)),
            protective_high_pass_hz=None,
        )
        for letter in "ABCD"
    ),
    inputs=("analogue", "network", "local"),
    panel_lock=True,
    power_up=PowerUp("last_state", None, slot_settable=False),
    slots=Slots(
        10,
        (1, 2),
        (*_ALL_SETTINGS, "input"),
        readable_inactive=True,
        store_needs_live=False,
        store_interval_s=2,
    ),
    features=("stage", "revert_timer"),
)

# A plain box: no staging, no timer, no polarity, no lock; slots hold level and EQ only.
MILLRACE = Model(
    name="Millrace 8",
    prefix="mill",
    firmware="1.0.9",
    sample_rate_hz=48_000,
    latency_ms=0.9,
    q_convention="cookbook",
    outputs=(
        Output(
            name="main",
            passband_hz=(75, 16_000),
            level_db=Range(-50, 0, 1),
            delay_ms=Range(0, 100, 0.1),
            polarity=False,
            eq=Equaliser(6, ("bell", "high_shelf"), Range(50, 16_000, 1), Range(-12, 6, 0.5), Range(0.5, 8, 0.1)),
            high_pass=Filter(_SHORT_SLOPES, Range(40, 400, 5)),
            low_pass=None,
            protective_high_pass_hz=None,
        ),
    ),
    inputs=("analogue",),
    panel_lock=False,
    power_up=PowerUp("last_state", None, slot_settable=False),
    slots=Slots(3, (1,), ("level_db", "eq"), readable_inactive=True, store_needs_live=False, store_interval_s=1),
    features=(),
)

MODELS = {model.name: model for model in (FENNBECK, RILLET, UNDERMERE, REEDWATER, WEIRHOUSE, MILLRACE)}
