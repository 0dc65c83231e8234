"""`fleet calc` as it is typed: members of its documents, plots, and refusals that name the option."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine

ASKED = {
    "eq": ("eq", "bell,1000,6,1.4", "low_pass,linkwitz_riley,24,90", "--at", "1000", "--at", "90"),
    "delay": ("delay", "--distance-m", "18", "--temperature-c", "22", "--offset-ms", "12"),
    "level": ("level", "--sensitivity-db", "93", "--power-w", "250", "--distance-m", "20", "--count", "2"),
    "line": (
        *("line", "--volts", "100", "--amplifier-w", "120", "--loudspeaker", "6x10", "--loudspeaker", "4x5"),
        *("--cable-m", "80", "--cable-mm2", "1.5"),
    ),
    "coverage": ("coverage", "--ceiling-m", "3", "--ear-m", "1.2", "--angle-deg", "90", "--room-m", "12x9"),
    "exposure": ("exposure", "--level-db", "97"),
}
MEMBERS = {
    "eq": {"rate_hz", "at_hz", "gain_db", "sections"},
    "delay": {"speed_m_s", "delay_ms", "samples"},
    "level": {"level_db"},
    "line": {"load_w", "load_ohm", "used_percent", "cable_loss_db"},
    "coverage": {"diameter_m", "spacing_m", "count"},
    "exposure": {"niosh_minutes", "osha_minutes", "eu_upper_action_minutes", "who_minutes_in_15"},
}


@pytest.mark.parametrize("name", ASKED)
def test_each_answer_is_one_document_with_its_formula_and_source(fleet: CommandLine, name: str) -> None:
    said = fleet("calc", *ASKED[name], "--json")
    assert said.code == 0
    document = json.loads(said.out)
    assert document["format"] == f"fleet-calc-{name}/1"
    assert set(document) >= MEMBERS[name] | {"formula", "source", "cautions"}


@pytest.mark.parametrize("name", ASKED)
def test_each_answer_reads_in_80_columns_and_names_its_source(fleet: CommandLine, name: str) -> None:
    said = fleet("calc", *ASKED[name])
    assert said.code == 0
    assert "source" in said.out
    assert max(map(len, said.out.splitlines())) <= 80


def test_the_answer_is_computed_from_what_was_asked(fleet: CommandLine) -> None:
    document = json.loads(fleet("calc", *ASKED["eq"], "--json").out)
    assert document["at_hz"] == [1000, 90]
    # At 90 Hz the bell does next to nothing, and a Linkwitz-Riley filter is 6.02 dB down (S. Linkwitz, JAES 1976).
    assert document["gain_db"][1] == pytest.approx(-6.02, abs=0.05)
    assert len(document["sections"]) == 3


@pytest.mark.parametrize(("ending", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG")])
def test_a_plot_is_drawn_the_same_each_time(fleet: CommandLine, tmp_path: Path, ending: str, begins: bytes) -> None:
    files = [tmp_path / f"{n}.{ending}" for n in (1, 2)]
    for file in files:
        assert fleet("calc", *ASKED["eq"], "--plot", str(file)).code == 0
    assert files[0].read_bytes().startswith(begins)
    assert files[0].read_bytes() == files[1].read_bytes()
    if ending == "svg":
        assert "31.5" in files[0].read_text(encoding="utf-8")  # ISO 266 preferred frequencies on the axis


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("eq", "bell,1000,6,0"), "bell,1000,6,0"),
        (("eq", "bell,30000,6,1"), "half the sample rate"),
        (("eq", "bell,1000,6,1", "--plot", "curve.pdf"), "--plot"),
        (("eq", "bell,1000,6,1", "--plot", "/nowhere/at/all.svg"), "cannot write"),
        (("delay", "--distance-m", "nan"), "--distance-m"),
        (("line", "--volts", "100", "--amplifier-w", "1", "--loudspeaker", "lots"), "--loudspeaker"),
        (("coverage", "--ceiling-m", "3", "--ear-m", "1", "--angle-deg", "180", "--room-m", "1x1"), "--angle-deg"),
        (("coverage", "--ceiling-m", "3", "--ear-m", "1", "--angle-deg", "90", "--room-m", "big"), "--room-m"),
        (("level", "--sensitivity-db", "90"), "--power-w"),
    ],
)
def test_what_cannot_be_is_refused_by_name(fleet: CommandLine, words: tuple[str, ...], named: str) -> None:
    said = fleet("calc", *words)
    assert said.code == 2
    assert named in said.err
    assert "Traceback" not in said.err
    assert said.out == ""
