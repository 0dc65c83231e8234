"""Random devices captured into a new room, altered, and captured into that room again."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.model.state import Reported
from fleet.services.capturing import AskedCapture
from fleet.services.together import wire
from fleet.store.protocol import Store
from tests.reconcile.captured_devices import VENUE, at_random
from tests.services.small_venue import NOON, Ids, hear_all

ROOM = "rooms/hall.yaml"


def in_memory(one: Reported) -> MemoryDevice:
    state = one.state
    return MemoryDevice(
        description=one.description,
        live=state.live,
        slots=dict(one.slots),
        active_slot=state.active_slot,
        mute_causes=dict(state.mute_causes),
    )


@pytest.mark.parametrize("seed", range(12))
async def test_a_room_captured_again_differs_in_slots_alone(seed: int, store: Store) -> None:
    chance = Random(seed)
    driver = MemoryDriver(in_memory(one) for one in at_random(chance))
    services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
    services.inventory.hear(LinkUp())
    await services.desired.load({"venue.yaml": VENUE}, "ines", allow=["empty"])
    await hear_all(services, driver)
    first = await services.capturing.capture(AskedCapture(room="hall", all_unbound=True), "mara")
    assert first.differences == ()
    commented = first.text.replace("positions:", "# seen from the stage\npositions:   # all of them")
    await services.desired.load({"venue.yaml": VENUE, ROOM: commented}, "ines")

    others = {one.description.model: one.state.live for one in at_random(Random(seed + 1000))}
    for device in driver.devices.values():
        live = others.get(device.description.model)
        if live is not None and chance.random() < 0.5:
            device.live = replace(live, outputs={**device.live.outputs, **live.outputs})
            driver.touched(device.description.id)
        if chance.random() < 0.2:
            device.mute_causes = {}
            driver.touched(device.description.id)
    await hear_all(services, driver)
    asked = AskedCapture(room="hall", devices=tuple(driver.devices), into=ROOM)
    again = await services.capturing.capture(asked, "mara")
    left_out = {(position, "high_pass") for position, words in again.notes if "high-pass is left out" in words}
    left_out |= {(p, s) for p, words in again.notes if "both are left out" in words for s in ("high_pass", "low_pass")}
    still = [d for d in again.differences if d.subject == "live" and d.setting != "slot"]
    assert [d.words for d in still if (d.position, d.setting) not in left_out] == []
    found = await services.lookout.differences(rooms=["hall"])
    assert [d.words for d in found.differences] == [d.words for d in again.differences]
    assert "# seen from the stage\npositions:   # all of them\n" in again.text
    assert (await services.capturing.capture(asked, "mara")).text == again.text
