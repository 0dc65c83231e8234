"""The design check against the devices' abilities, and letting a device blink."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import Described, Nonsense
from fleet.errors import BadFiles, NotFound, Refused
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, FOYER, HALL, NOON, Ids


async def test_what_a_device_cannot_be_is_found_at_its_line(services: Services) -> None:
    wish = FOYER.replace("desk: {device: box-4, level_db: -10}", "desk: {device: box-4, input: tape, level_db: 40}")
    found = services.checking.check({**FILES, "rooms/foyer.yaml": wish}).findings
    errors = [f for f in found if f.severity == "error" and f.complaint.file == "rooms/foyer.yaml"]
    assert {f.complaint.line for f in errors} == {5}
    assert any("tape" in f.complaint.text for f in errors)
    assert services.checking.check() == services.checking.check(FILES), "without files, the version in force"


async def test_a_curve_that_a_device_cannot_make_is_found_at_its_line(services: Services) -> None:
    comb = ", ".join(f"{60 * 1.4**n:.0f}: {8 * (-1) ** n}" for n in range(16))
    wish = HALL.replace("[{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]", f"{{points: {{{comb}}}}}")
    found = services.checking.check({**FILES, "rooms/weir-hall.yaml": wish}).findings
    errors = [
        f.complaint for f in found if f.severity == "error" and "the curve cannot be made with" in f.complaint.text
    ]
    assert {(e.file, wish.splitlines()[e.line - 1].split(":")[0]) for e in errors} == {
        ("rooms/weir-hall.yaml", "house_curve")
    }
    assert any("(tolerance 1 dB)" in e.text for e in errors)


async def test_without_the_devices_only_the_files_are_checked(store: Store) -> None:
    services = wire(store=store, driver=MemoryDriver(()), clock=lambda: NOON, new_id=Ids())
    wish = FOYER.replace("desk: {device: box-4,", "desk: {device: box-4, input: tape,")
    assert not any(
        "tape" in f.complaint.text for f in services.checking.check({**FILES, "rooms/foyer.yaml": wish}).findings
    )
    with pytest.raises(Refused, match="no desired state is loaded"):
        services.checking.check()
    with pytest.raises(BadFiles):
        services.checking.check({**FILES, "rooms/foyer.yaml": "positions: 7\n"})


async def test_a_device_blinks(services: Services, driver: MemoryDriver) -> None:
    await services.identifying.identify("box-4", 30)
    assert driver.devices["box-4"].identified_s == 30


async def test_nothing_is_sent_where_it_must_not_be(services: Services, driver: MemoryDriver) -> None:
    with pytest.raises(Refused, match="life safety") as refusal:
        await services.identifying.identify("box-9", 10)
    assert refusal.value.guards == ("life-safety",)
    other = replace(driver.devices["box-4"].description, serial="SN-other")
    services.inventory.hear(Described(device="box-4", description=other))
    with pytest.raises(Refused, match="SN-other"):
        await services.identifying.identify("box-4", 10)
    services.inventory.hear(Nonsense(device="box-7", what="garbage"))
    with pytest.raises(NotFound, match="has not told what it is"):
        await services.identifying.identify("box-7", 10)
    with pytest.raises(NotFound, match="was ever seen"):
        await services.identifying.identify("box-6", 10)
    assert {d.identified_s for d in driver.devices.values()} == {0}
