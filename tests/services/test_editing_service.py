"""Edits of the version in force: checked, written to the daemon's folder, put in force with who and why."""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.desired.editing import RoomText
from fleet.desired.folder import read_folder
from fleet.desired.writing import refuse_other_files, write_files
from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadFiles, BadInput, Refused
from fleet.services.editing import Files
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, NOON, Ids, boxes, hear_all

Edit = Callable[[Files], Files]

HALL = "rooms/weir-hall.yaml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "venue"
    write_files(place, FILES)
    return place


async def over(store: Store, folder: Path | None) -> Services:
    driver = MemoryDriver(boxes())
    services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids(), folder=folder)
    await services.desired.load(FILES, "ines")
    await hear_all(services, driver)
    return services


def bound(position: str, device: str) -> Edit:
    def edit(files: Files) -> Files:
        return {**files, HALL: RoomText(files[HALL], HALL).bind(position, device).text}

    return edit


async def test_an_edit_is_in_force_and_in_the_folder_with_who_and_why(store: Store, folder: Path) -> None:
    services = await over(store, folder)
    (folder / HALL).chmod(0o640)
    edited = await services.editing.put(bound("fill", "box-7"), who="mara", note="box-3 is in service")
    assert edited.files == {HALL: FILES[HALL].replace("box-3", "box-7")}
    assert (folder / HALL).read_text(encoding="utf-8") == edited.files[HALL]
    assert stat.S_IMODE((folder / HALL).stat().st_mode) == 0o640
    assert sorted(path.name for path in (folder / "rooms").iterdir()) == ["foyer.yaml", "weir-hall.yaml"]
    stored = await store.latest_version()
    assert stored is not None
    assert (stored.number, stored.who, stored.note) == (edited.number, "mara", "box-3 is in service")
    assert "box-7" in services.desired.bound()


async def test_the_daemon_takes_its_own_edit_for_what_is_in_force(store: Store, folder: Path) -> None:
    services = await over(store, folder)
    edited = await services.editing.put(bound("fill", "box-7"), who="mara")
    await Tending(services, folder=folder).load_folder()
    stored = await store.latest_version()
    assert stored is not None
    assert (stored.number, stored.who) == (edited.number, "mara")


async def test_a_file_with_changes_of_its_own_is_not_written_over(store: Store, folder: Path) -> None:
    services = await over(store, folder)
    own = FILES[HALL] + "# not loaded yet\n"
    (folder / HALL).write_text(own, encoding="utf-8")
    with pytest.raises(Refused, match=r"weir-hall\.yaml has changes of its own that are not in force\. Load or undo"):
        await services.editing.put(bound("fill", "box-7"), who="mara")
    assert (folder / HALL).read_text(encoding="utf-8") == own
    assert "box-7" not in services.desired.bound()
    (folder / HALL).unlink()
    with pytest.raises(Refused, match="has changes of its own"):
        await services.editing.put(bound("fill", "box-7"), who="mara")


async def test_without_a_folder_the_callers_own_is_held_to_the_same_rule(store: Store) -> None:
    services = await over(store, None)
    with pytest.raises(Refused, match="has changes of its own"):
        await services.editing.put(bound("fill", "box-7"), who="mara", beside={**FILES, HALL: "other"})
    edited = await services.editing.put(bound("fill", "box-7"), who="mara", beside={**FILES, "venue.yaml": "other"})
    assert edited.folder is None
    assert list(edited.files) == [HALL]


async def test_mistakes_and_new_errors_of_the_check_are_refused_and_old_ones_are_not(
    store: Store, folder: Path
) -> None:
    services = await over(store, folder)

    def leveled(room: str, level_db: float) -> Edit:
        path = f"rooms/{room}.yaml"
        position = "fill" if room == "weir-hall" else "desk"
        return lambda files: {**files, path: RoomText(files[path], path).put(position, {"level_db": level_db}).text}

    with pytest.raises(BadFiles, match=r"rooms/weir-hall\.yaml:14:16: .*already serves"):
        await services.editing.put(bound("fill", "box-2"), who="mara")
    with pytest.raises(BadFiles, match=r"rooms/weir-hall\.yaml:.*level 20 dB is outside"):
        await services.editing.put(leveled("weir-hall", 20), who="mara")
    assert read_folder(folder) == FILES
    await services.desired.load(leveled("foyer", 20)(FILES), "ines")
    write_files(folder, {"rooms/foyer.yaml": services.desired.in_force().files["rooms/foyer.yaml"]})
    assert (await services.editing.put(leveled("weir-hall", -9), who="mara")).number == 3


async def test_an_edit_that_goes_back_to_an_older_version_is_taken(store: Store, folder: Path) -> None:
    services = await over(store, folder)
    await services.editing.put(bound("fill", "box-7"), who="mara")
    back = await services.editing.put(bound("fill", "box-3"), who="mara")
    assert (back.number, read_folder(folder)) == (3, FILES)


def test_files_are_replaced_whole_and_links_stay_links(tmp_path: Path) -> None:
    real = tmp_path / "elsewhere.yaml"
    real.write_text("old\n", encoding="utf-8")
    (tmp_path / "venue").mkdir()
    (tmp_path / "venue/venue.yaml").symlink_to(real)
    texts = {"venue.yaml": "new\r\n", "rooms/a.yaml": "a\n"}
    assert write_files(tmp_path / "venue", texts) == ("rooms/a.yaml", "venue.yaml")
    assert write_files(tmp_path / "venue", texts) == ()
    assert (tmp_path / "venue/venue.yaml").is_symlink()
    assert real.read_bytes() == b"new\r\n"
    assert write_files(tmp_path / "venue", {"rooms/a.yaml": None}) == ("rooms/a.yaml",)
    assert list((tmp_path / "venue/rooms").iterdir()) == []


def test_what_cannot_be_written_is_told_and_leaves_nothing_half_done(tmp_path: Path) -> None:
    (tmp_path / "rooms").write_text("a file where a folder should be", encoding="utf-8")
    with pytest.raises(BadInput, match="cannot"):
        write_files(tmp_path, {"a.yaml": "a", "rooms/b.yaml": "b"})
    assert [path.name for path in tmp_path.iterdir()] == ["rooms"]


def test_a_folder_with_other_files_is_not_written_over(tmp_path: Path) -> None:
    refuse_other_files(tmp_path, {"venue.yaml": "x"}, {"venue.yaml": "x", "rooms/a.yaml": "a"})
    with pytest.raises(Refused, match=r"rooms/old\.yaml and venue\.yaml are not as in the version in force"):
        refuse_other_files(tmp_path, {"venue.yaml": "y", "rooms/old.yaml": "o"}, {"venue.yaml": "x"})
