"""The commands of access: tokens are made, listed and revoked, and a sheet signs a tablet in."""

from __future__ import annotations

import json
import re
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import httpx
import numpy as np
import pytest
import zxingcpp

from fleet.faces.cli.client import find
from fleet.faces.sign_in_sheet import HEIGHT_MM, QR_MM, WIDTH_MM, SignInSheet, sheet
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden

SVG = "{http://www.w3.org/2000/svg}"
PIXELS = 4
"""Of a module of a code, on each side."""


def code_in(page: str) -> str:
    """What the code on a sheet says, drawn module by module as a printer would."""
    (svg,) = ET.fromstring(page[page.index("<svg") : page.rindex("</svg>") + 6]).findall(f"{SVG}svg")
    side = int(svg.attrib["viewBox"].split()[2])
    modules = np.full((side, side), 255, np.uint8)
    for x, y in re.findall(r"M(\d+) (\d+)h1v1h-1z", svg[0].attrib["d"]):
        modules[int(y), int(x)] = 0
    (found,) = zxingcpp.read_barcodes(modules.repeat(PIXELS, 0).repeat(PIXELS, 1))
    return str(found.text)


def as_signed_in(daemon: RunningDaemon, token: str) -> httpx.Response:
    return httpx.post(f"{find(daemon.home).url}/v1/session", json={"token": token}, trust_env=False)


def test_what_the_commands_say(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    secrets = list[str]()

    def said(*arguments: str) -> Any:
        answer = fleet(*arguments)
        for secret in re.findall(r"fleet_[A-Za-z0-9_-]{43}", answer.out):
            secrets.append(secret)
        out = re.sub(r"fleet_[A-Za-z0-9_-]{43}", "fleet_SECRET", answer.out)
        return type(answer)(answer.code, out.replace(str(tmp_path), "/tmp"), answer.err.replace(str(tmp_path), "/tmp"))

    wrong = list[str]()
    for name, arguments in {
        "access-list-empty": ("access", "list"),
        "access-make": (
            "access",
            "make",
            "Ana",
            "--role",
            "operator",
            "--rooms",
            "weir-hall,foyer",
            "--expires",
            "90d",
        ),
        "access-list": ("access", "list"),
        "access-make-taken": ("access", "make", "ana", "--role", "auditor"),
        "access-make-no-room": ("access", "make", "Bo", "--role", "operator", "--rooms", "cellar"),
        "access-make-too-long": ("access", "make", "Bo", "--role", "auditor", "--expires", "3y"),
        "access-revoke-unknown": ("access", "revoke", "access-77"),
    }.items():
        wrong += golden(name, said(*arguments), *arguments)
    assert wrong == []
    assert len(secrets) == 1


def test_a_token_is_written_to_a_file_of_its_owner_and_works(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    out = tmp_path / "ana.token"
    said = fleet("access", "make", "Ana", "--role", "auditor", "--out", str(out))
    assert said.code == 0, said.err
    secret = out.read_text().strip()
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert secret not in said.out + said.err
    assert as_signed_in(daemon, secret).json()["role"] == "auditor"
    again = fleet("access", "make", "Bo", "--role", "auditor", "--out", str(out))
    assert (again.code, "Name a new file" in again.err) == (2, True)
    tokens = json.loads(fleet("access", "list", "--json").out)["tokens"]
    assert {t["name"]: t["state"] for t in tokens} == {"Ana": "good", "Bo": "revoked"}, "nobody has the token of Bo"
    assert fleet("access", "make", "Cy", "--role", "auditor", "--out", str(tmp_path / "no" / "x"), "--json").code == 2
    made = fleet("access", "make", "Di", "--role", "auditor", "--out", str(tmp_path / "di"), "--json")
    assert json.loads(made.out)["token"] is None


def test_a_tablet_signs_in_by_the_code_of_its_sheet_until_it_is_revoked(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    out = tmp_path / "sheet.html"
    url = "https://fleet.example:8443/"
    said = fleet("access", "tablet", "Foyer <tablet>", "--rooms", "foyer", "--url", url, "--out", str(out), "--json")
    assert said.code == 0, said.err
    document = json.loads(said.out)
    assert (document["role"], document["kind"], document["rooms"], document["token"]) == (
        "operator",
        "tablet",
        ["foyer"],
        None,
    )
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    page = out.read_text()
    base, secret = code_in(page).split("#")
    assert base == "https://fleet.example:8443/sign-in"
    assert secret not in page
    assert "Foyer &lt;tablet&gt;" in page
    assert f"fleet access revoke {document['id']}" in page
    assert not re.search(r"<script|<link|https?://(?!fleet\.example|www\.w3\.org)", page)
    session = as_signed_in(daemon, secret)
    assert (session.json()["name"], session.json()["kind"]) == ("Foyer <tablet>", "tablet")
    cookie = {"Cookie": f"fleet_session={session.cookies['fleet_session']}"}
    rooms = f"{find(daemon.home).url}/v1/rooms"
    assert httpx.get(rooms, headers=cookie, trust_env=False).status_code == 200
    assert fleet("access", "revoke", document["id"]).code == 0
    assert httpx.get(rooms, headers=cookie, trust_env=False).status_code == 401
    assert as_signed_in(daemon, secret).status_code == 401


def test_a_sheet_is_never_written_over_a_file_and_leads_to_a_page(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    out = tmp_path / "sheet.html"
    out.write_text("mine")
    name = ("access", "tablet", "Tablet", "--rooms", "foyer")
    assert fleet(*name, "--out", str(out)).code == 2
    assert out.read_text() == "mine"
    other = str(tmp_path / "other.html")
    for url in ("fleet.example", "ftp://x", "https://x/#y", "https://x?y", "http://[", "https://x y"):
        assert fleet(*name, "--out", other, "--url", url).code == 2, url
    assert fleet(*name, "--out", str(tmp_path / "sheet.svg")).code == 2
    assert json.loads(fleet("access", "list", "--json").out)["tokens"] == [], "nothing was made for nobody"
    said = fleet(*name, "--out", other)
    assert (said.code, "only this machine can open" in said.err) == (0, True)
    assert code_in(Path(other).read_text()).startswith(f"{find(daemon.home).url}/sign-in#fleet_")


def test_a_sheet_is_a6_and_its_code_is_large_enough_for_a_camera() -> None:
    of = SignInSheet(
        name="N" * 60, rooms=["r" * 60] * 9, expires="2032-05-16", id="access-1", url="https://" + "u" * 280
    )
    page = sheet(of, "fleet_" + "s" * 43)
    root = ET.fromstring(page[page.index("<svg") : page.rindex("</svg>") + 6])
    assert (root.attrib["width"], root.attrib["height"]) == ("105mm", "148mm"), "ISO 216"
    (code,) = root.findall(f"{SVG}svg")
    x, y, side = (float(code.attrib[name]) for name in ("x", "y", "width"))
    assert (x >= 0, x + side <= WIDTH_MM, y + side <= HEIGHT_MM) == (True, True, True)
    assert QR_MM / int(code.attrib["viewBox"].split()[2]) > 0.8, "mm a module"
    assert code_in(page).endswith("/sign-in#fleet_" + "s" * 43)
    assert "…" in page, "long words are cut, not the code"


def test_no_command_is_given_a_token(fleet: CommandLine) -> None:
    """Whoever is on the machine reads the arguments of every process."""
    for command in ("make", "tablet", "list", "revoke", "certificate"):
        help_text = fleet("access", command, "--help").out
        assert not re.search(r"--(token|secret|password)", help_text), command


@pytest.mark.parametrize("arguments", [(), ("make", "x"), ("make", "x", "--role", "owner")])
def test_what_is_lacking_is_told_with_exit_code_2(fleet: CommandLine, arguments: tuple[str, ...]) -> None:
    assert fleet("access", *arguments).code == 2


def test_a_daemon_that_others_reach_is_refused_without_what_that_demands(tmp_path: Path) -> None:
    words = ["daemon", "--home", str(tmp_path / "home"), "--bind", "0.0.0.0", "--broker", "mqtt://127.0.0.1:1"]
    ended = subprocess.run(
        [sys.executable, "-m", "fleet.app", *words], capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.returncode == 2
    for told in ("0.0.0.0", "tls_certificate", "fleet access make", "fleet access certificate", "config.toml"):
        assert told in ended.stderr
    assert "Traceback" not in ended.stderr
