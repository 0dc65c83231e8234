"""The demo venue by the design check, against what its simulated devices say of themselves."""

from __future__ import annotations

import json
from pathlib import Path

from fleet.desired.check import check
from fleet.desired.folder import read_folder
from fleet.desired.load import load
from fleet.drivers.mqtt.codec import decode_description
from simulators.abilities import describe
from simulators.population import from_venue

VENUE = Path(__file__).parents[2] / "simulators" / "venue"


def test_the_demo_venue_is_sound_but_for_a_device_that_was_never_seen() -> None:
    devices = {
        each.identity.device: decode_description(
            each.identity.device, json.dumps(describe(each.model, each.identity)).encode()
        )
        for each in from_venue(VENUE)
    }
    checked = check(load(read_folder(VENUE)), devices, lambda _position, _description: ())
    serious = [(each.severity, each.name) for each in checked.findings if each.severity != "note"]
    assert serious == [("warning", "unknown-device")]
    assert {each.finding.name for each in checked.silenced} == {"power-up-slot", "unlike-devices"}
