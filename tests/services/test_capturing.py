"""Capture over the services: which devices, which room, what is refused, and that nothing differs right after."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.errors import BadInput, Refused
from fleet.model.settings import Band, DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import OpenChange
from fleet.services.capturing import AskedCapture
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, FLAT, NOON, Ids, box, boxes, hear_all

HALL = "rooms/weir-hall.yaml"
WARM = (Band(shape="bell", frequency_hz=2500.0, gain_db=-4.0, q=1.4),)
DEFAULTS = """\
defaults:
  delay_ms: 0
  polarity: normal
  input: analogue
  panel_locked: true
  high_pass: none
  low_pass: none
"""


@pytest.fixture
def driver() -> MemoryDriver:
    """The venue's boxes, three that no position names, and one whose serial another claims."""
    spare = [box(name) for name in ("new-1", "new-2", "New-3")]
    for number, device in enumerate(spare):
        live = replace(FLAT, level_db=-12.0 - number, eq=WARM)
        device.live = DeviceSettings(input="analogue", panel_locked=True, outputs={1: live})
        device.slots[6] = SlotContents(slot=6, name="warm", outputs={1: live.only(set(FLAT.given()))})
        device.active_slot = 6
    twins = [box("twin-1"), box("twin-2")]
    twins[1].description = replace(twins[1].description, serial=twins[0].description.serial)
    return MemoryDriver([*boxes(), *spare, *twins])


@pytest.fixture
async def services(store: Store, driver: MemoryDriver) -> Services:
    services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
    services.inventory.hear(LinkUp())
    await services.desired.load(FILES, "ines")
    await hear_all(services, driver)
    return services


async def test_devices_without_a_position_become_a_room_that_differs_in_nothing(
    services: Services, store: Store
) -> None:
    done = await services.capturing.capture(AskedCapture(room="cellar", all_unbound=True), "mara")
    assert done.text == (
        "# Captured on 2031-05-17 by mara, from what the devices reported.\n"
        "format: 1\n"
        "room: cellar\n"
        "curves:\n"
        "  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]\n"
        "house_curve: {curve: warm, slot: 6}\n"
        f"{DEFAULTS}"
        "positions:\n"
        "  new-1: {device: new-1, level_db: -12}\n"
        "  new-2: {device: new-2, level_db: -13}\n"
        "  new-3: {device: New-3, level_db: -14}\n"
    )
    assert {device for device, _ in done.skipped} == {"twin-1", "twin-2"}
    assert (done.against, done.differences) == ((), ())
    found = await services.lookout.differences(rooms=["cellar"])
    assert (found.differences, len(found.checked)) == ((), 3)
    stored = await store.latest_version()
    assert stored is not None
    assert (stored.who, stored.note, stored.number) == ("mara", "capture of cellar", 2)
    assert done.edited is not None
    assert list(done.edited.files) == ["rooms/cellar.yaml"]


async def test_a_plan_writes_nothing(services: Services) -> None:
    before = services.desired.in_force()
    planned = await services.capturing.plan(AskedCapture(room="cellar", devices=("new-1",)), "mara")
    assert "new-1" in planned.text
    assert planned.edited is None
    assert services.desired.in_force() is before


async def test_everything_that_speaks_against_it_is_told_at_once(services: Services, driver: MemoryDriver) -> None:
    driver.devices["new-2"].online = False
    driver.touched("new-2")
    await hear_all(services, driver)
    asked = AskedCapture(
        room="cellar", devices=("box-1", "box-9", "nix", "twin-1", "new-1", "new-2"), into="rooms/foyer.yaml"
    )
    with pytest.raises(BadInput) as caught:
        await services.capturing.capture(asked, "mara")
    assert str(caught.value).splitlines() == [
        "6 things speak against this capture:",
        "  box-1 serves weir-hall/main-left already",
        "  box-9 serves life safety, and is never captured",
        "  nix was never seen; `fleet devices` lists those that were",
        "  twin-1 is conflicting (serial SN-twin-1 is claimed by twin-1 and twin-2), and is not captured; "
        "accept it first, if it is the right one",
        "  rooms/foyer.yaml is the file of room `foyer`, not of `cellar`",
        "  new-2 is missing; last seen 2031-05-17 14:00 CEST",
    ]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (AskedCapture(room="foyer", devices=("new-1",)), r"room `foyer` is there .*--into rooms/foyer\.yaml"),
        (AskedCapture(room="foyer", devices=("new-1",), into=HALL), r"room `foyer` is in rooms/foyer\.yaml, not in"),
        (AskedCapture(room="The Cellar", devices=("new-1",)), "no name for a room"),
        (AskedCapture(room="cellar", devices=("new-1",), into="../x.yaml"), "no place for a room's file"),
        (AskedCapture(room="cellar", devices=("new-1", "new-2"), called={"new-1": "new-2"}), "would be position new-2"),
        (AskedCapture(room="cellar", devices=("new-1",), called={"new-1": "Left Box"}), "no name for a position"),
        (AskedCapture(room="weir-hall", devices=("new-1",), called={"new-1": "mains"}, into=HALL), "of a group"),
        (AskedCapture(room="weir-hall", devices=("new-1",), called={"new-1": "fill"}, into=HALL), "the name of box-3"),
    ],
)
async def test_names_that_clash_are_refused(services: Services, asked: AskedCapture, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        await services.capturing.capture(asked, "mara")


async def test_with_no_device_left_there_is_nothing_to_capture(services: Services) -> None:
    await services.capturing.capture(AskedCapture(room="cellar", all_unbound=True), "mara")
    with pytest.raises(BadInput, match="no device without a position answers"):
        await services.capturing.capture(AskedCapture(room="attic", all_unbound=True), "mara")


async def test_a_room_that_is_there_is_edited_in_place(services: Services, driver: MemoryDriver) -> None:
    """What its files make of a position already is left alone; a new device gets its own settings."""
    for name in ("box-1", "box-3"):
        device = driver.devices[name]
        device.live = DeviceSettings(outputs={1: OutputSettings(level_db=-6.0, eq=WARM)}).over(device.live)
    asked = AskedCapture(room="weir-hall", devices=("box-1", "box-3", "new-1"), into=HALL, called={"new-1": "bar"})
    done = await services.capturing.capture(asked, "mara", "after the tuning")
    before, after = FILES[HALL].splitlines(), done.text.splitlines()
    assert [line for line in before if line not in after] == [
        "  main-left:  {device: box-1, groups: [mains]}",
        "  fill:       {device: box-3, groups: [fills]}",
    ]
    assert after[after.index("positions:") + 1 :] == [
        "  main-left:",
        "    device: box-1",
        "    groups: [mains]",
        "    delay_ms: 0",
        "    polarity: normal",
        "    input: network",
        "    panel_locked: false",
        "    high_pass: none",
        "    low_pass: none",
        "  main-right: {device: box-2, groups: [mains]}",
        "  fill:",
        "    device: box-3",
        "    groups: [fills]",
        "    level_db: -6",
        "    delay_ms: 0",
        "    polarity: normal",
        "    input: network",
        "    panel_locked: false",
        "    high_pass: none",
        "    low_pass: none",
        "  horn:       {device: box-9, life_safety: true}",
        "  bar:",
        "    device: new-1",
        "    level_db: -12",
        "    delay_ms: 0",
        "    polarity: normal",
        "    input: analogue",
        "    panel_locked: true",
        "    slot: 6",
        "    high_pass: none",
        "    low_pass: none",
    ]
    still = {(d.position, d.setting) for d in done.differences}
    assert still == {("main-left", "slot"), ("fill", "slot")} | {
        (d.position, d.setting) for d in done.differences if d.subject == "stored"
    }
    words = "slot 5 stays desired: store it with `fleet store`, or ask for another in the file"
    assert ("main-left", words) in done.notes


async def test_a_range_a_trim_and_a_wanted_mute_give_way_only_where_they_must(
    services: Services, driver: MemoryDriver
) -> None:
    text = FILES["rooms/foyer.yaml"].replace("box-4, level_db: -10}", "box-4, level_db: {between: [-12, -4]}}")
    text = text.replace("box-5, level_db: -10}", "box-5, groups: [all], trim_db: 2, mute: true}")
    text = text.replace("positions:", "groups: {all: {level_db: -10}}\npositions:")
    await services.desired.load({**FILES, "rooms/foyer.yaml": text}, "ines")
    asked = AskedCapture(room="foyer", devices=("box-4", "box-5"), into="rooms/foyer.yaml")
    done = await services.capturing.capture(asked, "mara")
    assert "level_db: {between: [-12, -4]}" in done.text
    assert "trim_db" not in done.text
    assert "mute: false" in done.text
    assert done.differences == ()
    again = await services.capturing.capture(asked, "mara")
    assert again.text == done.text
    assert again.files == {}


async def test_a_device_in_the_middle_of_a_change_is_not_captured(services: Services, driver: MemoryDriver) -> None:
    read = driver.read

    async def reading(description: object) -> object:
        found = await read(description)  # type: ignore[arg-type]
        return replace(found, state=replace(found.state, change=OpenChange(id="c-7", phase=1)))

    driver.read = reading  # type: ignore[method-assign, assignment]
    with pytest.raises(BadInput, match="new-1 is in the middle of change c-7"):
        await services.capturing.capture(AskedCapture(room="cellar", devices=("new-1",)), "mara")


async def test_nothing_can_be_captured_before_a_venue_is_loaded(store: Store, driver: MemoryDriver) -> None:
    services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
    with pytest.raises(Refused, match="no desired state is loaded"):
        await services.capturing.capture(AskedCapture(room="cellar", all_unbound=True), "mara")
