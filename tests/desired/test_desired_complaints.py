"""Golden complaints: each mistake in `bad/` brings exactly the lines written beside it."""

from pathlib import Path

import pytest

from fleet.desired.folder import read_folder
from fleet.desired.load import load
from fleet.errors import BadFiles

BAD = Path(__file__).parent / "bad"
VENUE = """\
format: 1
name: The Weir
time_zone: Europe/Lisbon
curves:
  venue-speech: [{shape: low_shelf, frequency_hz: 120, gain_db: -4, q: 0.7}]
"""
CASES = sorted(path for path in BAD.iterdir() if path.is_dir() or path.suffix == ".yaml")


def files_of(case: Path) -> dict[str, str]:
    if case.is_dir():
        return read_folder(case)
    if case.name.startswith("venue-"):
        return {"venue.yaml": case.read_text()}
    return {"venue.yaml": VENUE, f"rooms/{case.name}": case.read_text()}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_mistakes_bring_the_complaints_written_beside_them(case):
    with pytest.raises(BadFiles) as caught:
        load(files_of(case))
    said = [str(complaint) for complaint in caught.value.complaints]
    assert said == case.with_suffix(".txt").read_text().splitlines()


def test_every_list_of_complaints_belongs_to_a_case():
    assert {path.stem for path in BAD.glob("*.txt")} == {case.stem for case in CASES}
