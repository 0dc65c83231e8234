"""Rooms that come into modes together: those that go along with each other, and those that share a device."""

from __future__ import annotations

from fleet.model.venue import Mode, Position, Room, Venue
from fleet.reconcile.bundles import bundles


def room(name: str, *devices: str, modes: dict[str, dict[str, str]], safe: str = "") -> Room:
    """A room with a position for each device, in every mode alike; modes name the rooms that go along."""
    positions = {
        f"p-{device}": Position(name=f"p-{device}", room=name, device=device, life_safety=device == safe)
        for device in devices
    }
    return Room(
        name=name,
        title=name,
        positions=positions,
        groups={},
        modes={m: Mode(name=m, title=m, positions=positions, together_with=along) for m, along in modes.items()},
    )


def venue(*rooms: Room) -> Venue:
    return Venue(name="The Weir", time_zone="Europe/Lisbon", rooms={one.name: one for one in rooms})


PLAIN = {"day": {}, "night": {}}


def test_rooms_that_have_nothing_in_common_are_apart() -> None:
    house = venue(room("east", "box-1", modes=PLAIN), room("west", "box-2", "box-9", modes=PLAIN, safe="box-9"))
    one, other = bundles(house, {}, {"east": "day", "west": "night"})
    assert (one.wanted, one.brings, one.devices) == ({"east": "day"}, {"east": "day"}, {"box-1"})
    assert (other.wanted, other.devices) == ({"west": "night"}, {"box-2"})


def test_rooms_that_share_a_device_are_one_bundle_also_by_way_of_a_third() -> None:
    house = venue(
        room("east", "box-1", "box-2", modes=PLAIN),
        room("middle", "box-2", "box-3", modes=PLAIN),
        room("west", "box-3", modes=PLAIN),
    )
    (one,) = bundles(house, {}, {"east": "day", "west": "day", "middle": "day"})
    assert one.wanted == {"east": "day", "middle": "day", "west": "day"}
    assert [b.wanted for b in bundles(house, {}, {"east": "day", "west": "day"})] == [{"east": "day"}, {"west": "day"}]


def test_a_room_brings_along_those_of_its_mode_and_leaves_none_alone_in_it() -> None:
    house = venue(
        room("east", "box-1", modes={**PLAIN, "combined": {"west": "combined"}}),
        room("west", "box-2", modes={"combined": {"east": "combined"}}),
    )
    (one,) = bundles(house, {}, {"east": "combined"})
    assert (one.wanted, one.brings) == ({"east": "combined"}, {"east": "combined", "west": "combined"})
    assert one.devices == {"box-1", "box-2"}
    (one,) = bundles(house, {"east": "combined", "west": "combined"}, {"east": "day"})
    assert one.brings == {"east": "day", "west": "house"}


def test_unknown_rooms_and_modes_are_passed_over() -> None:
    house = venue(room("east", "box-1", modes=PLAIN))
    assert bundles(house, {"attic": "day"}, {"attic": "day", "east": "combined"}) == ()
    assert [b.wanted for b in bundles(house, {}, {"east": "house"})] == [{"east": "house"}]
