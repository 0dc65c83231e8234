"""Places of settings: the line that a person has to change."""

from pathlib import Path

import pytest

from fleet.desired.folder import read_folder
from fleet.desired.load import load

GOOD = Path(__file__).parent / "good" / "weir"
VERSION = load(read_folder(GOOD))


@pytest.mark.parametrize(
    ("position", "setting", "file", "written"),
    [
        ("bar-line", "level_db", "rooms/weir-hall.yaml", "level_db: {between"),
        ("bar-line", "slot", "rooms/weir-hall.yaml", "slot: 7"),
        ("main-left", "level_db", "rooms/weir-hall.yaml", "level_db: -6"),
        ("main-left", "slot", "rooms/weir-hall.yaml", "slots: {example-full"),
        ("main-left", "eq", "rooms/weir-hall.yaml", "house_curve:"),
        ("main-left", "mute", "rooms/weir-hall.yaml", "mute: false"),
        ("main-left", "listen_at_m", "rooms/weir-hall.yaml", "listen_at_m: [12"),
        ("main-left", "polarity", "rooms/weir-hall.yaml", "main-left:"),
        ("main-left", "", "rooms/weir-hall.yaml", "main-left:"),
        ("balcony-2", "delay_ms", "rooms/weir-hall.yaml", "time_align:"),
        ("balcony-2", "listen_at_m", "rooms/weir-hall.yaml", "listen_at_m: [14"),
        ("balcony-2", "tolerances.delay_ms", "rooms/weir-hall.yaml", "delay_ms: 1}"),
        ("balcony-2", "tolerances.level_db", "venue.yaml", "level_db: 1.5"),
        ("", "", "rooms/weir-hall.yaml", "room: weir-hall"),
    ],
)
def test_a_place_is_where_the_value_came_from(position, setting, file, written):
    found, line, column = VERSION.places.place("weir-hall", position, setting)
    assert found == file
    assert VERSION.files[file].splitlines()[line - 1][column - 1 :].startswith(written)


def test_an_unknown_room_has_the_venue_files_place():
    assert VERSION.places.place("cellar", "left") == ("venue.yaml", 1, 1)
