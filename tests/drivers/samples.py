"""A made-up loudspeaker for the drivers' tests, as wire messages and as model values."""

from __future__ import annotations

from typing import Any

from fleet.drivers.memory import MemoryDevice
from fleet.model.description import Description
from fleet.model.edge import parse
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents

STAGING = ("stage", "revert_timer")
FLAT = {"level_db": 0.0, "polarity": "normal", "delay_ms": 0.0, "eq": [], "high_pass": "none", "low_pass": "none"}


def description_message(device: str, features: tuple[str, ...] = STAGING, q: str = "constant_q") -> dict[str, Any]:
    """The description of schemas/wire.md with eight slots and a Q convention that has to be converted."""
    return {
        "v": 1,
        "id": device,
        "serial": f"SN-{device}",
        "model": "Tarn 12",
        "firmware": "2.3.1",
        "mac": "02:00:5e:00:04:12",
        "sample_rate_hz": 48000,
        "latency_ms": 2.1,
        "q_convention": q,
        "outputs": [
            {
                "output": 1,
                "name": "main",
                "passband_hz": [58, 18000],
                "level_db": {"min": -80, "max": 6, "step": 0.5},
                "delay_ms": {"min": 0, "max": 200, "step": 0.020833333333333332},
                "polarity": True,
                "eq": {
                    "bands": 10,
                    "shapes": ["bell", "low_shelf", "high_shelf"],
                    "frequency_hz": {"min": 20, "max": 20000, "step": 0},
                    "gain_db": {"min": -15, "max": 15, "step": 0.1},
                    "q": {"min": 0.3, "max": 20, "step": 0.01},
                },
                "high_pass": {
                    "slopes": {"linkwitz_riley": [12, 24], "butterworth": [12, 18, 24]},
                    "frequency_hz": {"min": 20, "max": 500, "step": 1},
                },
                "low_pass": {"slopes": {"linkwitz_riley": [24]}, "frequency_hz": {"min": 40, "max": 20000, "step": 1}},
                "protective_high_pass_hz": 55,
            }
        ],
        "inputs": ["analogue", "network"],
        "panel_lock": True,
        "power_up": {"behaviour": "last_state", "slot": None, "slot_settable": False},
        "slots": {
            "count": 8,
            "factory": [1, 2],
            "stores": ["level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass"],
            "readable_inactive": True,
            "store_needs_live": False,
            "store_interval_s": 5,
        },
        "features": list(features),
    }


def described(device: str, features: tuple[str, ...] = ()) -> Description:
    """The same as the model's value."""
    return parse(Description, description_message(device, features, q="cookbook"))


def memory_device(device: str) -> MemoryDevice:
    """The same in memory, flat in slot 1."""
    flat = OutputSettings(level_db=0.0, polarity="normal", delay_ms=0.0, eq=(), high_pass="none", low_pass="none")
    return MemoryDevice(
        description=described(device),
        live=DeviceSettings(input="network", panel_locked=False, outputs={1: flat}),
        slots={n: SlotContents(slot=n, name=f"slot {n}", outputs={1: flat}) for n in range(1, 9)},
        active_slot=1,
    )
