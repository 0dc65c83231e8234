"""The files that say what one room is to be."""

from __future__ import annotations

import pytest

from fleet.desired.room_texts import room_texts

VENUE = {"venue.yaml": "format: 1\n"}


@pytest.mark.parametrize("line", ["room: hall", "room: 'hall'", 'room: "hall"  # the large one', "room:   hall   "])
def test_the_venues_file_and_the_rooms_own(line: str) -> None:
    own = {"rooms/a.yaml": f"format: 1\n{line}\n"}
    other = {"rooms/b.yaml": "format: 1\nroom: hall-two\n"}
    assert room_texts({**VENUE, **own, **other}, "hall") == {**VENUE, **own}


def test_all_files_where_no_line_names_the_room() -> None:
    files = {**VENUE, "rooms/a.yaml": "{format: 1, room: hall}\n"}
    assert room_texts(files, "hall") == files
