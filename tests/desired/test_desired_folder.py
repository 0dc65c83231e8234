"""Reading a venue folder from disk, and what makes a version the same or another."""

import os
from pathlib import Path

import pytest

from fleet.desired.folder import read_folder
from fleet.desired.load import load
from fleet.errors import BadFiles, BadInput

GOOD = Path(__file__).parent / "good" / "weir"
VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
ROOM = "format: 1\nroom: hall\n"


def test_reads_the_venue_and_its_rooms():
    assert set(read_folder(GOOD)) == {"venue.yaml", "rooms/weir-hall.yaml"}


def test_a_folder_without_a_venue_file_is_refused(tmp_path):
    with pytest.raises(BadInput, match=r"no venue\.yaml"):
        read_folder(tmp_path)
    with pytest.raises(BadInput, match=r"no venue\.yaml"):
        read_folder(tmp_path / "missing")


def test_what_is_not_a_file_is_refused(tmp_path):
    (tmp_path / "venue.yaml").write_text(VENUE)
    (tmp_path / "rooms").mkdir()
    os.mkfifo(tmp_path / "rooms" / "hall.yaml")
    with pytest.raises(BadInput, match="is not a file"):
        read_folder(tmp_path)


def test_bytes_that_are_not_utf8_are_a_complaint_with_a_place(tmp_path):
    (tmp_path / "venue.yaml").write_text(VENUE)
    (tmp_path / "rooms").mkdir()
    (tmp_path / "rooms" / "hall.yaml").write_bytes(b"format: 1\nroom: caf\xe9\n")
    with pytest.raises(BadFiles) as caught:
        load(read_folder(tmp_path))
    assert [str(each) for each in caught.value.complaints] == [
        "rooms/hall.yaml:2:10: this is not UTF-8 text; save the file as UTF-8"
    ]


def test_windows_line_ends_and_a_byte_order_mark_are_read(tmp_path):
    (tmp_path / "venue.yaml").write_bytes(b"\xef\xbb\xbf" + VENUE.replace("\n", "\r\n").encode())
    assert load(read_folder(tmp_path)).venue.name == "The Weir"


def test_a_version_is_known_by_its_texts():
    files = {"venue.yaml": VENUE, "rooms/hall.yaml": ROOM}
    version = load(files)
    assert load(dict(reversed(files.items()))).sha256 == version.sha256
    assert load({**files, "rooms/hall.yaml": ROOM + "# a word\n"}).sha256 != version.sha256
    assert load({"venue.yaml": VENUE, "rooms/other.yaml": ROOM}).sha256 != version.sha256
    assert version.files == files


def test_a_missing_venue_file_is_a_complaint():
    with pytest.raises(BadFiles, match=r"venue\.yaml:1:1: venue\.yaml is missing"):
        load({"rooms/hall.yaml": ROOM})
