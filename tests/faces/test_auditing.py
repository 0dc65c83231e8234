"""What the API writes into the audit log, and the commands that show, verify and export it."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from pathlib import Path

import httpx
import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon
from tests.faces.sealed_files import document, written


def log(fleet: CommandLine, *arguments: str) -> list[dict[str, str]]:
    """The entries, oldest first."""
    entries: list[dict[str, str]] = json.loads(fleet("audit", "show", *arguments, "--json").out)["entries"]
    return entries[::-1]


def test_requests_that_change_something_are_in_it_and_others_are_not(daemon: RunningDaemon, fleet: CommandLine) -> None:
    for looking in (("rooms",), ("diff",), ("check",), ("apply", "foyer", "--plan"), ("changes",), ("audit", "show")):
        fleet(*looking)
    assert log(fleet) == []
    assert fleet("hold", "foyer", "--until", "2h", "--why", "talk").code == 0
    assert fleet("apply", "foyer", "--yes", "--why", "first night").code == 2, "the hold holds"
    assert fleet("release", "foyer").code == 0
    assert (
        fleet("apply", "weir-hall", "--group", "mains", "--yes", "--allow", "half-room", "--why", "first night").code
        == 0
    )
    daemon.do(daemon.services.audit.settled())
    entries = log(fleet)
    assert [(e["what"], e["about"], e["why"], e["result"][:8]) for e in entries] == [
        ("POST /v1/rooms/{room}/hold", "foyer", "talk", "done"),
        ("POST /v1/changes apply", "foyer", "first night", "refused:"),
        ("POST /v1/rooms/{room}/release", "foyer", "", "done"),
        ("POST /v1/changes apply", "weir-hall mains c-0001", "first night", "done"),
        ("end of change apply weir-hall, group mains", "c-0001", "first night", "done: ke"),
    ]
    assert {(e["who"], e["role"], e["source"]) for e in entries[:4]} == {
        ("ines", "integrator", "commands on this machine")
    }
    assert entries[4]["source"] == "daemon"
    said = fleet("audit", "show", "--lines", "1").out
    assert said.startswith("5  2031-05-17 14:00:00 CEST  ines (daemon), daemon\n    end of change apply weir-hall")


def test_what_was_refused_and_what_failed_is_in_it_with_the_reason(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("release", "attic").code == 2
    assert fleet("snapshot", "witness", "s-9999", "--name", "Jo").code == 2
    entries = log(fleet)
    assert [e["about"] for e in entries] == ["attic", "Jo s-9999"]
    assert all(e["result"].startswith("refused: ") for e in entries)
    assert "attic" in entries[0]["result"]


def test_who_has_no_token_writes_nothing_by_a_body(daemon: RunningDaemon, fleet: CommandLine) -> None:
    url = json.loads((daemon.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    with httpx.Client(base_url=url, trust_env=False) as stranger:
        body = {"who": "ines", "until": "2h"}
        assert stranger.post("/v1/rooms/foyer/hold", json=body).status_code == 401
        assert stranger.post("/v1/nothing", json=body).status_code in (401, 404)
    assert [e for e in log(fleet) if e["who"] == "ines"] == []


def test_bodies_are_not_kept(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    venue = tmp_path / "venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text("format: 1\nname: House of marks\ntime_zone: UTC\n", encoding="utf-8")
    fleet("load", str(venue), "--allow", "empty")
    (entry,) = log(fleet)
    assert entry["what"] == "POST /v1/versions"
    assert "marks" not in json.dumps(entry)


def test_it_is_followed_and_held_against_snapshots(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    empty = fleet("audit", "verify")
    assert (empty.code, empty.out.splitlines()[0]) == (0, "the log is empty")
    for number in range(3):
        fleet("hold", "foyer", "--until", "2h", "--why", f"talk {number}")
    file = tmp_path / "s.json"
    taken = json.loads(fleet("snapshot", "take", "--json").out)
    assert taken["body"]["audit"]["length"] == 3, "as it was when it was taken"
    assert fleet("snapshot", "export", taken["id"], "--out", str(file)).code == 0
    whole = fleet("audit", "verify", "--snapshot", str(file))
    assert whole.code == 0
    assert "entries 1 to 4 are what was written" in whole.out
    assert "s.json" in whole.err
    database = sqlite3.connect(daemon.home / "fleet.db")
    try:
        database.execute("DROP TRIGGER audit_no_delete")
        database.execute("DELETE FROM audit WHERE number > 2")
        database.commit()
        cut = fleet("audit", "verify", "--snapshot", str(file))
        assert cut.code == 1
        assert "ends after entry 2" in cut.out
        database.execute("DROP TRIGGER audit_no_update")
        database.execute("UPDATE audit SET why = 'nothing' WHERE number = 1")
        database.commit()
    finally:
        database.close()
    altered = fleet("audit", "verify")
    assert (altered.code, altered.out.splitlines()[0]) == (1, "entry 1 was altered")


def test_a_snapshot_that_is_wrong_cannot_speak_for_the_log(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    one = document()
    one["body"]["audit"]["length"] = 9
    (tmp_path / "s.json").write_bytes(written(one))
    said = fleet("audit", "verify", "--snapshot", str(tmp_path / "s.json"))
    assert said.code == 2
    assert "cannot speak for the log" in " ".join(said.err.split())


def test_its_exports_hold_all_of_it_and_no_formula(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    hostile = '=HYPERLINK("http://x")'
    fleet("hold", "foyer", "--until", "2h", "--why", hostile)
    fleet("release", "foyer")
    for kind in ("json", "csv"):
        assert fleet("audit", "export", str(tmp_path / f"log.{kind}")).code == 0
    whole = json.loads((tmp_path / "log.json").read_text(encoding="utf-8"))
    assert [e["number"] for e in whole["entries"]] == [1, 2]
    assert whole["entries"][1]["previous"] == whole["entries"][0]["sha256"]
    rows = list(csv.DictReader(io.StringIO((tmp_path / "log.csv").read_text(encoding="utf-8-sig"))))
    assert rows[0]["why"] == f"'{hostile}"
    assert [row["sha256"] for row in rows] == [e["sha256"] for e in whole["entries"]]
    assert fleet("audit", "export", str(tmp_path / "log.csv")).code == 2, "never over another file"
    assert fleet("audit", "export", str(tmp_path / "log.txt")).code == 2


@pytest.mark.parametrize("kept", ["", "1", "1:aa:x", "x:" + "0" * 64 + ":x", "1:" + "0" * 64 + ":"])
def test_what_is_no_head_is_refused(daemon: RunningDaemon, kept: str) -> None:
    url = json.loads((daemon.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    token = (daemon.home / "token").read_text(encoding="utf-8")
    headers = {"Authorization": f"Bearer {token}"}
    answer = httpx.get(f"{url}/v1/audit/verify", params={"kept": kept}, headers=headers, trust_env=False)
    assert answer.status_code == 422
    assert "is no head of an audit log" in answer.json()["detail"]
