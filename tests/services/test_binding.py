"""Binding: the room's file is edited in place, and everything that speaks against it is refused with the way out."""

from __future__ import annotations

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadInput, FleetError, NotFound, Refused
from fleet.model.inventory import DeviceStatus, Retirement
from fleet.services.binding import AskedBinding
from fleet.services.together import Services
from tests.services.small_venue import FILES, NOON, box, hear_all


async def bind(services: Services, position: str, device: str, **more: object) -> None:
    await services.binding.bind(AskedBinding(position=position, device=device, **more), "ines")  # type: ignore[arg-type]


async def with_spare(services: Services, driver: MemoryDriver, name: str = "box-7") -> None:
    """One more box, which no position names."""
    driver.devices[name] = box(name)
    driver.touched(name)
    services.inventory.take(await driver.read(driver.devices[name].description))
    await hear_all(services, driver)


async def test_only_the_line_of_the_position_changes(services: Services, driver: MemoryDriver) -> None:
    await with_spare(services, driver)
    await bind(services, "fill", "box-7")
    text = services.desired.in_force().files["rooms/weir-hall.yaml"]
    assert text == FILES["rooms/weir-hall.yaml"].replace("device: box-3", "device: box-7")
    (version, *_) = await services.store.versions()
    assert (version.who, version.note) == ("ines", "bind weir-hall/fill to box-7, output 1")


@pytest.mark.parametrize(
    ("position", "device", "more", "kind", "words"),
    [
        ("fill", "box-77", {}, NotFound, "no device 'box-77' was ever seen. `fleet devices` lists them."),
        ("attic", "box-7", {}, NotFound, "no position 'attic'. `fleet rooms` lists rooms; write ROOM/POSITION."),
        ("weir-hall/attic", "box-7", {}, NotFound, "no position 'attic' in weir-hall. Positions: "),
        ("fill", "box-7", {"room": "foyer"}, NotFound, "no position 'fill' in foyer. Positions: desk, door."),
        ("weir-hall/fill", "box-7", {"room": "foyer"}, BadInput, "--room: weir-hall/fill is not in foyer"),
        ("fill", "box-7", {"output": 2}, BadInput, "--output: box-7 has no output 2: it has 1"),
        ("fill", "box-4", {}, Refused, "box-4, output 1, serves foyer/desk already. Give foyer/desk another device"),
        ("fill", "box-9", {}, Refused, "box-9 serves life safety: nothing else is bound to it"),
        ("horn", "box-7", {}, Refused, "weir-hall/horn serves life safety: its binding is not written by this tool"),
    ],
)
async def test_what_speaks_against_it_is_told_with_the_way_out(
    services: Services,
    driver: MemoryDriver,
    position: str,
    device: str,
    more: dict[str, object],
    kind: type[FleetError],
    words: str,
) -> None:
    await with_spare(services, driver)
    with pytest.raises(kind) as refusal:
        await bind(services, position, device, **more)
    assert str(refusal.value).startswith(words)
    assert services.desired.in_force().files == FILES


async def test_a_conflicting_device_is_accepted_first(services: Services, driver: MemoryDriver) -> None:
    await with_spare(services, driver)
    driver.devices["box-7"].description = box("box-7", serial="SN-other").description
    services.inventory.take(await driver.read(driver.devices["box-7"].description))
    with pytest.raises(Refused, match=r"box-7 is conflicting: .* `fleet accept box-7`"):
        await bind(services, "fill", "box-7")


async def test_a_retired_device_comes_back_only_when_that_is_said(services: Services, driver: MemoryDriver) -> None:
    await with_spare(services, driver)
    retirement = Retirement(since=NOON, serial="SN-box-7", positions=("weir-hall/fill",))
    await services.inventory.retire("box-7", retirement)
    assert services.inventory.statuses(())["box-7"] is DeviceStatus.RETIRED
    with pytest.raises(Refused, match=r"retired on 2031-05-17 from weir-hall/fill. If it is repaired: --allow retired"):
        await bind(services, "fill", "box-7")
    await bind(services, "fill", "box-7", allow=frozenset({"retired"}))
    assert services.inventory.known("box-7").record.retired is None


async def test_a_position_is_never_without_a_device(services: Services) -> None:
    with pytest.raises(Refused, match=r"cannot be without a device.*`fleet swap weir-hall/fill DEVICE`"):
        services.binding.unbind("fill", None)
    with pytest.raises(NotFound):
        services.binding.unbind("attic", None)
