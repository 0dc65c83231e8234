"""Text that means harm, fed as a device, a file or a person would, and looked for on everything that people read."""

from __future__ import annotations

import csv
import io
import json
import logging
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from fleet.desired.load import load
from fleet.drivers.mqtt.codec import decode_description
from fleet.drivers.mqtt.topics import parse_device_topic
from fleet.errors import DeviceNonsense
from fleet.faces.logs.lines import JsonLines, TextLines
from fleet.faces.notices.command import Command
from fleet.faces.notices.config import ReceiverConfig
from fleet.faces.notices.document import bytes_of
from fleet.model.edge import plain
from fleet.model.notice import Notice
from fleet.model.receiver import ReceiverRules
from fleet.services.receivers import Parcel
from tests.faces.daemon_in_process import ROOT, CommandLine, RunningDaemon, a_daemon
from tests.faces.hostile import HOSTILE, SURROGATE, hostile_device, hostile_files, unsafe
from tests.services.small_venue import NOON, description

IN_FILES = "=1+1<img src=x onerror=alert(1)>\x1b]0;t\x07\u202e{{7*7}}\"\r\n'; ../.."
"""All kinds at once, as short as a name in a file may be."""
BOUND = "box-1"
REFUSED = frozenset({"long", "words", "nul", "surrogate"})
"""Reasons that nobody may give: longer than one may be, or nothing that a database can hold."""
PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 _.+-")
BY_DEVICE = {BOUND: IN_FILES} | {f"x-{key.replace(' ', '-')}": text for key, text in HOSTILE.items()}


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningDaemon]:
    """A daemon among devices that mean harm, with a venue whose files do."""
    home = tmp_path_factory.mktemp("hostile") / "home"
    with a_daemon(home, [hostile_device(d, text) for d, text in BY_DEVICE.items()], loaded=False) as running:
        running.do(running.services.desired.load(hostile_files(IN_FILES, BOUND), IN_FILES[:100]))
        yield running


@pytest.fixture
def home(hostile: RunningDaemon) -> Path:
    """The folder of that daemon."""
    return hostile.home


@pytest.mark.parametrize(
    "words",
    [
        "devices",
        *(f"devices {device}" for device in (BOUND, "x-colours", "x-override", "x-long", "x-lines", "x-combining")),
        "rooms",
        "room weir-hall",
        "check",
        "diff weir-hall --all",
        "apply weir-hall --plan",
        "recall weir-hall --plan",
        "store weir-hall --plan",
        "capture cellar --all-unbound --plan",
        "history weir-hall",
        "changes",
        "notices",
        "guest",
        "agree",
        "audit show",
        "audit verify",
        "snapshot show",
        "log",
        "config",
        "level weir-hall",
        "files",
    ],
)
def test_a_command_prints_nothing_that_a_terminal_obeys(hostile: RunningDaemon, fleet: CommandLine, words: str) -> None:
    said = fleet(*words.split())
    assert "a fault of this program" not in said.err, said.err
    assert unsafe(said.out) == []
    assert unsafe(said.err) == []
    assert "\r" not in said.out + said.err


@pytest.mark.parametrize("words", ["devices", "rooms", "room weir-hall", "changes", "agree", "snapshot show"])
def test_a_table_fits_into_80_columns(hostile: RunningDaemon, fleet: CommandLine, words: str) -> None:
    assert [line for line in fleet(*words.split()).out.splitlines() if len(line) > 80] == []


@pytest.mark.parametrize(
    "words",
    [
        "devices",
        *(f"devices {device}" for device in (BOUND, "x-long", "x-lines")),
        "rooms",
        "room weir-hall",
        "diff",
        "log",
    ],
)
def test_a_document_is_ascii_json_of_bounded_size(hostile: RunningDaemon, fleet: CommandLine, words: str) -> None:
    said = fleet(*words.split(), "--json")
    assert said.out.isascii()
    json.loads(said.out)
    assert len(said.out) < 500_000


@pytest.mark.parametrize("why", [*HOSTILE, "surrogate"])
def test_what_a_person_gives_as_a_reason_is_text_wherever_it_is_shown(
    hostile: RunningDaemon, fleet: CommandLine, why: str
) -> None:
    text = {**HOSTILE, "surrogate": SURROGATE}[why]
    held = fleet("hold", "weir-hall", "--until", "2h", "--why", text)
    said = [held, fleet("rooms"), fleet("audit", "show"), fleet("release", "weir-hall"), fleet("log")]
    assert held.code == (2 if why in REFUSED else 0), held.err
    for one in said:
        assert "a fault of this program" not in one.err, one.err
        assert unsafe(one.out + one.err) == []


def test_a_hand_over_is_text_alone(hostile: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    folder = tmp_path / "papers"
    said = fleet("handover", "weir-hall", "--out", str(folder), "--note", IN_FILES)
    assert said.code == 0, said.err
    names = sorted(path.name for path in folder.iterdir())
    assert all(re.fullmatch(r"[a-z-]+\.(csv|html|json)", name) for name in names), names
    assert list(tmp_path.iterdir()) == [folder], "and nothing is written beside it"
    assert harm_in(folder / "handover.html") == []
    assert "{{7*7}}" in (folder / "handover.html").read_text(encoding="utf-8"), "no template reads it"
    for sheet in folder.glob("*.csv"):
        assert formulas_in(sheet) == []


def test_a_snapshot_is_text_in_every_form(hostile: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    taken = json.loads(fleet("snapshot", "take", "--note", IN_FILES, "--json").out)["id"]
    for ending in ("json", "csv", "html"):
        said = fleet("snapshot", "export", taken, "--as", ending, "--out", str(tmp_path / f"sealed.{ending}"))
        assert said.code == 0, said.err
    assert fleet("snapshot", "verify", str(tmp_path / "sealed.json")).code == 0
    assert formulas_in(tmp_path / "sealed.csv") == []
    assert harm_in(tmp_path / "sealed.html") == []


def test_the_audit_log_is_text_as_a_list(hostile: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    fleet("hold", "weir-hall", "--until", "2h", "--why", "=1+1")
    fleet("release", "weir-hall")
    said = fleet("audit", "export", str(tmp_path / "log.csv"))
    assert said.code == 0, said.err
    assert formulas_in(tmp_path / "log.csv") == []


@pytest.mark.parametrize("ending", ["html", "svg"])
def test_labels_are_text_alone(hostile: RunningDaemon, fleet: CommandLine, tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"labels.{ending}"
    assert fleet("labels", "weir-hall", "--out", str(file), "--url", "http://fleet.example").code == 0
    assert harm_in(file) == []


def test_captured_files_mean_what_the_devices_say(hostile: RunningDaemon, fleet: CommandLine) -> None:
    plan = fleet("capture", "cellar", "--all-unbound", "--plan", "--json")
    text = json.loads(plan.out)["text"] if plan.code in (0, 1) else ""
    assert plan.code in (0, 1, 2), plan.err
    if text:
        assert unsafe(text) == []
        load({"venue.yaml": hostile_files("x", BOUND)["venue.yaml"], "rooms/cellar.yaml": text})


def test_metrics_hold_no_text_of_anybody(hostile: RunningDaemon) -> None:
    token = (hostile.home / "token").read_text(encoding="utf-8")
    url = json.loads((hostile.home / "daemon.json").read_text(encoding="utf-8"))["url"]
    told = httpx.get(f"{url}/metrics", headers={"Authorization": f"Bearer {token}"}).raise_for_status().text
    for family in text_string_to_metric_families(told):
        for sample in family.samples:
            assert not any(set(value) - PLAIN for value in sample.labels.values()), sample
    assert "onerror" not in told


@pytest.mark.parametrize("key", HOSTILE)
def test_a_notice_is_text_for_webhooks_and_commands(key: str) -> None:
    text = HOSTILE[key]
    notice = Notice(id="n-1", at=NOON, kind="drift", words=text, room=text, way_out=text)
    parcel = Parcel(id="n-1", venue=text, time_zone="Europe/Berlin", notices=(notice,), more=0)
    assert bytes_of(parcel).isascii()
    assert json.loads(bytes_of(parcel))["notices"][0]["words"] == text
    one = Command(ReceiverConfig(rules=ReceiverRules(name="program"), command=("true",)))
    for name, value in one._environment(parcel).items():
        if name.startswith("FLEET_NOTICE_"):
            assert unsafe(value) == [], name
            assert len(value) < 200_000, "the system's limit of one variable is 128 KiB"


@pytest.mark.parametrize("key", [*HOSTILE, "surrogate"])
def test_an_event_is_a_line_of_the_log(key: str) -> None:
    text = {**HOSTILE, "surrogate": SURROGATE}[key]
    record = logging.LogRecord("fleet", logging.INFO, "", 0, "%s says %s", ("box-1", text), None)
    as_json = JsonLines(lambda _: False).format(record)
    assert len(as_json.splitlines()) == 1
    assert json.loads(as_json)["message"].startswith("box-1 says ")
    as_text = TextLines(lambda: ZoneInfo("Europe/Berlin")).format(record)
    assert unsafe(as_text) == []
    assert all(line.startswith("    ") for line in as_text.split("\n")[1:])


@pytest.mark.parametrize("key", HOSTILE)
def test_no_id_leads_out_of_a_topic(key: str) -> None:
    for topic in (
        f"{ROOT}/devices/00/{HOSTILE[key]}/state",
        f"{ROOT}/devices/{HOSTILE[key]}/box-1/state",
        HOSTILE[key],
    ):
        with pytest.raises(DeviceNonsense) as nonsense:
            parse_device_topic(ROOT, topic)
        assert unsafe(str(nonsense.value)) == []
        assert len(str(nonsense.value)) < 400


@pytest.mark.parametrize("key", HOSTILE)
def test_what_a_device_writes_on_the_wire_is_mended_or_refused(key: str) -> None:
    text = HOSTILE[key]
    told = json.dumps({**plain(description("box-1")), "v": 1, "serial": text, "model": text, "mac": text}).encode()
    if len(text) > 256:
        with pytest.raises(DeviceNonsense, match="at most 256 characters"):
            decode_description("box-1", told)
        return
    heard = decode_description("box-1", told)
    for member in (heard.serial, heard.model, heard.mac):
        assert unsafe(member) == []
        assert len(member) <= 64


def test_half_a_character_on_the_wire_is_refused() -> None:
    told = json.dumps({**plain(description("box-1")), "v": 1, "serial": SURROGATE}).encode()
    with pytest.raises(DeviceNonsense) as refused:
        decode_description("box-1", told)
    assert unsafe(str(refused.value)) == []


def harm_in(page: Path) -> list[str]:
    """What of a page is more than text: scripts, handlers, links elsewhere, and characters that nobody sees."""
    text = page.read_text(encoding="utf-8")
    found = Harm()
    found.feed(text)
    return found.found + unsafe(text)


class Harm(HTMLParser):
    """Reads a page as a browser does."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in {"script", "iframe", "object", "embed", "base", "form"}:
            self.found.append(tag)
        for name, value in attrs:
            elsewhere = name in {"href", "src"} and not (value or "").startswith(("#", "data:image/", "data:,"))
            if name.startswith("on") or elsewhere:
                self.found.append(f"{tag} {name}={value}")


def formulas_in(sheet: Path) -> list[str]:
    """Cells that a spreadsheet would carry out, and characters that nobody sees."""
    text = sheet.read_bytes().decode("utf-8-sig")
    rows: list[list[str]] = list(csv.reader(io.StringIO(text, newline="")))
    assert len({len(row) for row in rows}) == 1, "text made no rows or cells of its own"
    cells = [cell for row in rows for cell in row]
    numbers = re.compile(r"[+-]?[0-9.]+(e[+-]?[0-9]+)?")
    return [c for c in cells if c.startswith(tuple("=+-@\t\r")) and not numbers.fullmatch(c)] + [
        what for cell in cells for what in unsafe(cell)
    ]
