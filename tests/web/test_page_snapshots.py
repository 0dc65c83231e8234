"""Snapshots on the page: taken, shown with what was not checked, exported, verified and compared."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from fleet.faces.proof.keys import pem_of
from fleet.faces.proof.verifying import verify
from tests.web.browsing import Person
from tests.web.one_for_all import auditor, browsers, integrator, no_barrier, scene
from tests.web.page_scene import Scene

__all__ = ["auditor", "browsers", "integrator", "scene"]


def take(person: Person, note: str) -> str:
    """Take a snapshot by the page, and give its id."""
    person.open("/snapshots")
    person.page.get_by_label("Note").fill(note)
    person.button("Take a snapshot").click()
    expect(person.page).to_have_url(re.compile(r"/snapshots/s-\d+$"))
    expect(person.page.get_by_role("heading", name="Seal")).to_be_visible()
    return person.page.url.rsplit("/", 1)[1]


def exported(person: Person, name: str) -> tuple[str, bytes]:
    with person.page.expect_download() as waiting:
        person.page.get_by_role("link", name=name).click()
    return waiting.value.suggested_filename, Path(waiting.value.path()).read_bytes()


def test_a_snapshot_is_taken_with_a_note_and_says_what_was_not_checked(scene: Scene, integrator: Person) -> None:
    scene.dies("box-8")
    snapshot = take(integrator, "before the ball")
    integrator.sees("before the ball")
    integrator.sees("wiring, aim, rigging, acoustics and the fire interface were not checked")
    expect(integrator.page.get_by_role("heading", name="Not read")).to_be_visible()
    integrator.sees("box-8")
    integrator.sees("No witness yet.")
    integrator.sees("The audit log had")
    no_barrier(integrator, "a snapshot")
    scene.daemon.driver.devices["box-8"].online = True
    scene.daemon.touched("box-8")
    integrator.open("/snapshots")
    row = integrator.page.locator("tbody tr", has=integrator.page.locator(f"a[href='/snapshots/{snapshot}']"))
    for words in ("by hand", "integrator one", "before the ball"):
        expect(row).to_contain_text(words)
    no_barrier(integrator, "snapshots")


def test_those_of_changes_are_listed_when_asked_for(scene: Scene, integrator: Person) -> None:
    one = integrator.open("/snapshots")
    expect(one.page.get_by_text("before a change")).to_have_count(0)
    one.page.get_by_label("Also those before and after changes").check()
    expect(one.page).to_have_url(re.compile(r"\?changes=1$"))
    one.sees("before a change")
    one.sees("after a change")


def test_an_export_has_its_name_and_can_be_verified(scene: Scene, auditor: Person, tmp_path: Path) -> None:
    snapshot = take(auditor, "=2+5 of an auditor")
    name, sealed = exported(auditor, "JSON: can be verified")
    assert name == f"snapshot-2031-05-17-{snapshot}.json"
    found = verify(sealed, key=scene.daemon.services.signer.public_key)  # type: ignore[union-attr]
    assert [check.result for check in found.checks] == ["right", "right", "right"]
    name, listed = exported(auditor, "CSV: for a spreadsheet")
    assert name == f"snapshot-2031-05-17-{snapshot}.csv"
    cells = [cell for row in csv.reader(io.StringIO(listed.decode("utf-8-sig"))) for cell in row]
    assert "'=2+5 of an auditor" in cells
    name, page = exported(auditor, "HTML: to read and print")
    assert name == f"snapshot-2031-05-17-{snapshot}.html"
    assert b"rigging" in page


@pytest.fixture
def sealed(scene: Scene, integrator: Person, tmp_path: Path) -> Path:
    take(integrator, "to verify")
    file = tmp_path / "sealed.json"
    file.write_bytes(exported(integrator, "JSON: can be verified")[1])
    return file


def test_a_file_is_verified_and_one_that_was_altered_is_told(
    scene: Scene, integrator: Person, sealed: Path, tmp_path: Path
) -> None:
    key = tmp_path / "venue.pem"
    key.write_text(pem_of(scene.daemon.services.signer.public_key))  # type: ignore[union-attr]
    before = len(scene.daemon.do(scene.daemon.services.audit.entries(100)))
    one = integrator.open("/snapshots")
    one.button("Verify").click()
    one.sees("Choose a file first.")
    one.page.get_by_label("File", exact=True).set_input_files(sealed)
    one.button("Verify").click()
    one.sees("Right: what was checked is as it was sealed.")
    one.sees("The signature was checked against the key inside of the file alone")
    one.page.get_by_label("Public key of the venue").set_input_files(key)
    one.button("Verify").click()
    expect(one.page.locator(".verdict")).not_to_contain_text("against the key inside of the file alone")
    expect(one.page.locator(".verdict")).to_contain_text("Whoever holds the signing key")
    no_barrier(one, "a verdict")
    altered = tmp_path / "altered.json"
    altered.write_bytes(sealed.read_bytes().replace(b"to verify", b"to verifi"))
    one.page.get_by_label("File", exact=True).set_input_files(altered)
    one.button("Verify").click()
    one.sees("Wrong: this is not what was exported.")
    cut = tmp_path / "cut.json"
    cut.write_bytes(sealed.read_bytes()[:-200])
    one.page.get_by_label("File", exact=True).set_input_files(cut)
    one.button("Verify").click()
    one.sees("it was cut short")
    other = tmp_path / "other.json"
    other.write_text(json.dumps({"format": "another/1"}))
    one.page.get_by_label("File", exact=True).set_input_files(other)
    one.button("Verify").click()
    one.sees("This is no snapshot that this release can read")
    assert len(scene.daemon.do(scene.daemon.services.audit.entries(100))) == before, "looking changes nothing"


def test_two_are_compared_by_meaning(scene: Scene, integrator: Person) -> None:
    first = take(integrator, "as it was")
    scene.turned("box-1", -1.0)
    second = take(integrator, "louder")
    one = integrator.open("/snapshots")
    expect(one.button("Compare the two chosen")).to_be_disabled()
    for snapshot in (second, first):
        row = one.page.locator("tbody tr", has=one.page.locator(f"a[href='/snapshots/{snapshot}']"))
        row.get_by_role("checkbox").check()
    one.button("Compare the two chosen").click()
    expect(one.page.get_by_role("heading", level=1)).to_have_text("Two snapshots compared")
    one.sees("1 setting is another.")
    row = one.page.get_by_role("row", name=re.compile("box-1"))
    expect(row).to_contain_text("5 dB louder")
    expect(row).to_contain_text("-6 dB")
    expect(row).to_contain_text("-1 dB")
    one.sees("Settings were checked; wiring, aim, rigging, acoustics and the fire interface were not.")
    no_barrier(one, "a comparison")
    scene.turned("box-1", -6.0)
