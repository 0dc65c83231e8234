"""The command import: plans, files on the disk, inventories, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fleet.desired.sheet_columns import COLUMNS
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden
from tests.services.small_venue import FILES

SHEET = """\
room,room_name,position,device,serial,cable,level_db
attic,The Attic,left,box-7,,C-1,-9
attic,,right,box-8,,C-2,"-9,5"
foyer,,desk,,,C-3,
"""


@pytest.fixture
def venue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A venue folder beside a sheet, in the working directory."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "venue" / "rooms").mkdir(parents=True)
    for file, text in FILES.items():
        (tmp_path / "venue" / file).write_text(text, encoding="utf-8")
    (tmp_path / "boxes.csv").write_text(SHEET, encoding="utf-8")
    return tmp_path / "venue"


def texts(folder: Path) -> dict[str, str]:
    return {
        str(file.relative_to(folder)): file.read_text(encoding="utf-8") for file in folder.rglob("*") if file.is_file()
    }


def test_a_sheet_as_a_person_imports_it(venue: Path, fleet: CommandLine) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> None:
        wrong.extend(golden(name, fleet(*arguments), *arguments))

    asked = ("import", "boxes.csv", "--folder", "venue")
    run("import-plan", *asked, "--plan")
    assert texts(venue) == FILES, "a plan writes nothing"
    run("import", *asked)
    run("import-again", *asked)
    run("import-columns", "import", "--columns")
    assert not wrong, "\n".join(wrong)
    assert texts(venue)["rooms/foyer.yaml"] == FILES["rooms/foyer.yaml"].replace(
        "box-4, level_db: -10}", "box-4, level_db: -10, cable: C-3}"
    )


def test_a_sheet_with_mistakes_writes_nothing_and_tells_all(venue: Path, fleet: CommandLine) -> None:
    bad = SHEET.replace("-9,5", "9 ft").replace("attic,,right", ",,right") + "cellar,,x,box-1,,,\n"
    Path("boxes.csv").write_text(bad, encoding="utf-8")
    asked = ("import", "boxes.csv", "--folder", "venue")
    assert golden("import-mistakes", fleet(*asked), *asked) == []
    assert texts(venue) == FILES


def test_serials_are_found_in_a_saved_inventory_or_asked_of_the_daemon(
    venue: Path, fleet: CommandLine, daemon: RunningDaemon
) -> None:
    Path("boxes.csv").write_text("room,position,serial\nattic,left,SN-new\n", encoding="utf-8")
    rows = [{"id": "new-1", "serial": "SN-new"}, {"id": "new-2", "serial": ""}]
    Path("saved.json").write_text(json.dumps({"devices": rows}), encoding="utf-8")
    asked = ("import", "boxes.csv", "--folder", "venue", "--plan", "--json")
    saved = json.loads(fleet(*asked, "--inventory", "saved.json").out)
    assert "left: {device: new-1}" in saved["files"]["rooms/attic.yaml"]
    assert (saved["new_rooms"], saved["rooms"], saved["written"]) == (["attic"], {"attic": ["left"]}, False)
    assert "is of no device of the inventory: `SN-new`" in fleet(*asked).err, "the daemon's has it not"
    sheet = "room,position,serial\nweir-hall,fill,SN-box-3\n"
    Path("boxes.csv").write_text(sheet, encoding="utf-8")
    assert json.loads(fleet(*asked).out)["files"] == {}


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ((), "name the sheet and its venue folder"),
        (("boxes.csv",), "name the sheet and its venue folder"),
        (("no.csv", "--folder", "venue"), "no.csv: cannot be read: No such file"),
        (("venue", "--folder", "venue"), "venue: cannot be read: Is a directory"),
        (("boxes.csv", "--folder", "."), "no venue.yaml here"),
        (("boxes.csv", "--folder", "venue", "--inventory", "boxes.csv"), "boxes.csv: is no inventory"),
    ],
)
def test_what_cannot_be_imported_is_said(venue: Path, fleet: CommandLine, typed: tuple[str, ...], said: str) -> None:
    refused = fleet("import", *typed)
    assert refused.code == 2
    assert said in refused.err
    assert "fault of this program" not in refused.err


def test_mistakes_of_the_folder_are_told_before_those_of_the_sheet(venue: Path, fleet: CommandLine) -> None:
    (venue / "rooms" / "foyer.yaml").write_text("format: 2\nroom: foyer\n", encoding="utf-8")
    assert "rooms/foyer.yaml:1:9: `format` must be 1" in fleet("import", "boxes.csv", "--folder", "venue").err


def test_the_readme_lists_the_columns_as_they_are() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for column in COLUMNS.values():
        assert f"| `{column.name}` | {column.unit} | {column.what} | `{column.example}` |" in readme
