"""Snapshots as lists and pages: all is there, what was not checked as well, and nothing hostile does anything."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import html5lib
import numpy as np
import pytest
import segno

from fleet.faces.proof.exports import csv_text, html_text
from fleet.model.sealing import seal_of, whole_sha256
from fleet.model.snapshot import NEVER_CHECKED
from tests.faces.daemon_in_process import CommandLine, RunningDaemon
from tests.faces.sealed_files import Document, document

HOSTILE = ("<script>alert(1)</script>", "\u202egnp.exe", '=cmd|"/c calc"!A1', "x" * 10_000, "+1+1\t", "＝1")


def hostile(text: str) -> Document:
    """A snapshot of a device that calls itself so in every text that it tells."""
    one = document()
    first = one["body"]["devices"][0]
    for name in ("id", "serial", "model", "firmware"):
        first["description"][name] = text
    first["state"]["id"] = first["state"]["live"]["input"] = text
    first["slots"]["1"]["name"] = text
    one["body"] |= {"note": text, "venue": text, "taken_by": text}
    one["body"]["not_read"][0] |= {"words": text, "device": text}
    one["witnesses"][0]["name"] = text
    seal = seal_of(one["body"])
    one["entries"] = {"head": seal.head, "devices": list(seal.devices), "not_read": list(seal.not_read)}
    one["sha256"] = whole_sha256(seal.head, seal.devices, seal.not_read)
    return one


def rows_of(one: Document) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_text(one).removeprefix("\ufeff"))))


def test_the_list_has_a_row_for_each_setting() -> None:
    one = document()
    rows = rows_of(one)
    head = {row["setting"]: row["value"] for row in rows if row["subject"] == "snapshot"}
    assert (head["sha256"], head["id"], head["venue"]) == (one["sha256"], one["id"], "Harbour House")
    live = [r for r in rows if (r["device"], r["subject"]) == ("box-4", "live")]
    assert {r["setting"]: r["value"] for r in live if r["output"] == "1"} | {"mute": ""} == {
        "level_db": "-6",
        "mute": "",
        "polarity": "normal",
        "delay_ms": "0",
        "eq": "none",
        "high_pass": "none",
        "low_pass": "none",
    }
    last = [row["value"] for row in rows if row["subject"] == "not checked"]
    assert tuple(last[: len(NEVER_CHECKED)]) == NEVER_CHECKED
    assert last[-1].startswith("Not read: box-2")


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_is_a_formula_and_none_is_endless(text: str) -> None:
    for row in rows_of(hostile(text)):
        for value in row.values():
            assert not value.startswith(("=", "+", "@", "\t", "＝")), value
            assert not value.startswith("-") or re.fullmatch(r"-[\d.e-]+", value)
            assert len(value) <= 401
            assert "\u202e" not in value


@pytest.mark.parametrize("text", HOSTILE)
def test_the_page_shows_it_as_text_and_reaches_for_nothing(text: str) -> None:
    page = html_text(hostile(text))
    parsed = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    assert parsed.findall(".//script") == []
    assert "\u202e" not in page
    assert "x" * 600 not in page
    assert not re.search(r"""(?:src|href|url\()\s*=?\s*["'(]?\s*(?:https?:)?//""", page)


def test_the_page_has_the_hash_as_text_and_as_a_code_and_says_what_was_not_checked() -> None:
    zxingcpp = pytest.importorskip("zxingcpp")
    one = document()
    page = html_text(one)
    assert one["sha256"] in page
    for line in NEVER_CHECKED:
        assert line in page
    assert "Not read: box-2" in page
    made = segno.make(f"fleet snapshot {one['id']} sha256 {one['sha256']}", error="m", micro=False)
    assert made.svg_inline(scale=3, border=4, title=f"sha256 {one['sha256']}") in page
    picture = np.array([[0 if dark else 255 for dark in row] for row in made.matrix_iter(scale=4, border=4)], np.uint8)
    (code,) = zxingcpp.read_barcodes(picture)
    assert code.text.endswith(one["sha256"])


def test_the_command_writes_each_kind(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    taken = json.loads(fleet("snapshot", "take", "--json").out)
    for kind, begins in (("json", '{"body"'), ("csv", "\ufeffsubject,device"), ("html", "<!DOCTYPE html>")):
        file = tmp_path / f"s.{kind}"
        assert fleet("snapshot", "export", taken["id"], "--as", kind, "--out", str(file)).code == 0
        assert file.read_text(encoding="utf-8").startswith(begins)
        assert fleet("snapshot", "export", taken["id"], "--as", kind, "--out", str(file)).code == 2
        named = tmp_path / f"by-its-name.{kind}"
        assert fleet("snapshot", "export", taken["id"], "--out", str(named)).code == 0
        assert named.read_bytes() == file.read_bytes(), "the ending says what is meant"


def test_a_witness_is_written_down_and_one_with_another_hash_is_not(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    taken = json.loads(fleet("snapshot", "take", "--json").out)
    wrong = fleet("snapshot", "witness", taken["id"], "--name", "Jo Marsh", "--sha256", "0" * 64)
    assert wrong.code == 2
    assert "another hash than the one that was countersigned" in " ".join(wrong.err.split())
    right = fleet("snapshot", "witness", taken["id"], "--name", "Jo Marsh", "--sha256", taken["sha256"].upper())
    assert right.code == 0
    assert "person: Jo Marsh" in right.out
    assert fleet("snapshot", "witness", taken["id"]).code == 2
    file, key = tmp_path / "s.json", tmp_path / "k.pem"
    fleet("snapshot", "export", taken["id"], "--out", str(file))
    fleet("snapshot", "key", "--out", str(key))
    said = fleet("snapshot", "verify", str(file), "--key", str(key))
    assert said.code == 0
    assert "Jo Marsh" in said.out


def test_those_of_changes_are_listed_when_asked_for(daemon: RunningDaemon, fleet: CommandLine) -> None:
    fleet("apply", "weir-hall", "--group", "mains", "--yes", "--allow", "half-room", "--why", "a test")
    daemon.do(daemon.services.snapshots_of_changes.settled())
    assert "c-0001" not in fleet("snapshot", "show").out
    assert "c-0001-after" in fleet("snapshot", "show", "--all").out
    one = fleet("snapshot", "show", "c-0001-before").out
    assert "only the devices of change c-0001" in one
