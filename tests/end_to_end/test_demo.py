"""One run of `fleet demo --json`, every figure of it worked out once more from raw mDNS, raw MQTT and the room files.

Nothing here uses `fleet`: a second way to the same figures is what makes them believable.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from independent import Told, device_figures, differences
from independent_wishes import Wish, read_wishes
from raw_recorder import Recorder, recording
from running import DEMO_VENUE, PATIENCE_S, eventually, fleet_words, process
from zeroconf import ServiceBrowser, ServiceStateChange, Zeroconf

from tests.announcing import alone_on_mdns
from tests.brokers import LOOPBACK

Json = dict[str, Any]

LOUDSPEAKERS = "_loudspeaker._tcp.local."
RUN_WITHIN_S = 300.0
RESOLVE_WITHIN_MS = 5000
MOMENTS = ("before", "after_apply", "after_rollback", "after_all", "after_recall")


@dataclass(frozen=True)
class Witnessed:
    """A run of the demo, as it told of itself and as it was seen from outside."""

    code: int
    out: str
    errors: str
    recorder: Recorder
    announced: set[str]
    seen_running: set[int]
    left_running: set[int]
    left_files: list[Path]
    wishes: list[Wish]

    @property
    def report(self) -> Json:
        report: Json = json.loads(self.out)
        return report

    def told(self, moment: str) -> Told:
        """What the devices had told by the moment of a comparison."""
        by = datetime.fromisoformat(self.report["compared_at"][moment]).timestamp()
        kinds = ("presence", "description", "state", "slots")
        return Told(**{kind: self.recorder.told(kind, by) for kind in kinds})


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Witnessed:
    """The one run, watched from its first second on."""
    folder = tmp_path_factory.mktemp("demo")
    temporary = folder / "tmp"
    temporary.mkdir()
    log = folder / "stderr"
    own_temporary = {"TMPDIR": str(temporary)}
    with (
        alone_on_mdns(),
        announcements() as seen,
        process(fleet_words("demo", "--json"), log=log, env=own_temporary) as run,
    ):
        port = eventually("the demo's daemon tells its broker", lambda: broker_port(temporary))
        with recording(port) as recorder:
            running: set[int] = set()
            ended = threading.Event()
            watch = threading.Thread(target=_watch, args=(run.pid, temporary, running, ended))
            watch.start()
            try:
                out, _ = run.communicate(timeout=RUN_WITHIN_S)
            finally:
                ended.set()
                watch.join()
            left = lasting(run.pid, temporary)
        return Witnessed(
            code=run.returncode,
            out=out,
            errors=log.read_text(encoding="utf-8"),
            recorder=recorder,
            announced={device for device, announced_port in seen.items() if announced_port == port},
            seen_running=running,
            left_running=left,
            left_files=sorted(temporary.iterdir()),
            wishes=read_wishes(DEMO_VENUE),
        )


def test_the_demo_ends_well_and_prints_one_document(demo: Witnessed) -> None:
    assert demo.code == 0, demo.out + demo.errors
    assert "Traceback" not in demo.errors
    assert demo.report["format"] == "fleet-demo/1"
    assert demo.report["wrong"] == []
    assert demo.report["seconds"] > 0
    assert set(demo.report["differences"]) == set(demo.report["compared_at"]) == set(MOMENTS)


def test_the_demo_leaves_no_process_and_no_file_behind(demo: Witnessed) -> None:
    assert len(demo.seen_running) >= 3, "a scan that never saw demo, daemon and devices proves nothing"
    assert demo.left_running == set()
    assert demo.left_files == []


def test_the_recorder_saw_every_device_before_the_first_comparison(demo: Witnessed) -> None:
    told = demo.told("before")
    assert set(told.presence) == set(told.description) == set(told.state) == set(told.slots)
    assert len(told.state) > 30


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_count_of_differences_is_what_room_files_and_raw_messages_give(demo: Witnessed, moment: str) -> None:
    own = differences(demo.wishes, demo.told(moment))
    assert demo.report["differences"][moment] == len(own), "\n".join(own)


def test_the_demo_shows_mistakes_and_that_they_can_be_removed(demo: Witnessed) -> None:
    counts = [len(differences(demo.wishes, demo.told(moment))) for moment in MOMENTS]
    before, after_apply, after_rollback, after_all, after_recall = counts
    assert before > after_apply > 0
    assert after_rollback == before
    assert after_all == after_recall == 0


def test_the_rollback_brings_back_the_very_same_differences(demo: Witnessed) -> None:
    assert differences(demo.wishes, demo.told("after_rollback")) == differences(demo.wishes, demo.told("before"))


def test_the_figures_of_devices_follow_from_raw_mdns_presence_and_room_files(demo: Witnessed) -> None:
    assert demo.report["devices"] == device_figures(demo.wishes, demo.told("before"), demo.announced)


def test_every_announced_device_is_one_that_speaks_on_the_broker(demo: Witnessed) -> None:
    assert demo.announced == set(demo.recorder.told("presence"))


def test_the_first_change_was_kept_by_devices_under_its_own_id(demo: Witnessed) -> None:
    change = demo.report["change"]
    assert change["result"] == "kept"
    asked = [one.message for one in demo.recorder.heard if one.kind == "request"]
    actions = {message["action"] for message in asked if message["body"].get("change") == change["id"]}
    assert actions >= {"stage", "commit", "keep"}
    assert not actions & {"revert", "abort"}


def test_the_power_cut_rebooted_boxes_that_come_back_in_another_slot(demo: Witnessed) -> None:
    before, after = demo.told("after_all").state, demo.told("after_recall").state
    rebooted = {device for device in before if after[device]["boot_count"] > before[device]["boot_count"]}
    assert len(rebooted) == 3
    told = demo.recorder.heard
    for device in rebooted:
        first = next(
            one.message
            for one in told
            if one.kind == "state" and one.device == device and one.message["boot_id"] == after[device]["boot_id"]
        )
        assert first["active_slot"] != before[device]["active_slot"] == after[device]["active_slot"]


def test_nothing_was_ever_written_to_life_safety_conflicting_or_unknown_devices(demo: Witnessed) -> None:
    told = demo.told("before")
    named = {wish.device for wish in demo.wishes}
    left_alone = {wish.device for wish in demo.wishes if wish.life_safety} | told.conflicting()
    left_alone |= told.online() - named
    assert len(left_alone) >= 4
    written = {one.device for one in demo.recorder.writes_since(0)}
    assert written
    assert not written & left_alone


def test_the_snapshot_is_sealed_by_a_sha256(demo: Witnessed) -> None:
    assert re.fullmatch(r"s-[0-9a-f]{8}", demo.report["snapshot"]["id"])
    assert re.fullmatch(r"[0-9a-f]{64}", demo.report["snapshot"]["sha256"])


def broker_port(temporary: Path) -> int | None:
    """The port of the demo's broker, once its daemon answers."""
    for address in temporary.glob("fleet-demo-*/home/daemon.json"):
        with suppress(OSError, ValueError, httpx.TransportError):
            url = json.loads(address.read_text(encoding="utf-8"))["url"]
            token = (address.parent / "token").read_text(encoding="utf-8")
            headers = {"Authorization": f"Bearer {token}"}
            status = httpx.get(f"{url}/v1/status", headers=headers, timeout=30, trust_env=False).json()
            return int(status["broker"].rpartition(":")[2])
    return None


@contextmanager
def announcements() -> Iterator[dict[str, int]]:
    """The loudspeakers announced by mDNS on loopback since the start of the block: port by instance name."""
    ports: dict[str, int] = {}

    def on_change(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is not ServiceStateChange.Removed:
            info = zeroconf.get_service_info(service_type, name, RESOLVE_WITHIN_MS)
            if info and info.port:
                ports[name.removesuffix(f".{service_type}")] = info.port

    zeroconf = Zeroconf(interfaces=[LOOPBACK])
    browser = ServiceBrowser(zeroconf, LOUDSPEAKERS, handlers=[on_change])
    try:
        yield ports
    finally:
        browser.cancel()
        zeroconf.close()


def processes_of(session: int, folder: Path) -> set[int]:
    """Living processes of a session, or that name a folder in their command line."""
    found = set()
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with suppress(OSError):
                _, _, rest = (entry / "stat").read_text(encoding="utf-8", errors="replace").rpartition(")")
                state, _parent, _group, own_session = rest.split()[:4]
                words = (entry / "cmdline").read_bytes()
                if state != "Z" and (int(own_session) == session or str(folder).encode() in words):
                    found.add(int(entry.name))
    return found


def lasting(session: int, folder: Path) -> set[int]:
    """What of these processes does not end by itself: a child may notice a moment later that its parent has gone."""
    deadline = time.monotonic() + PATIENCE_S
    while (left := processes_of(session, folder)) and time.monotonic() < deadline:
        time.sleep(0.05)
    return left


def _watch(session: int, folder: Path, seen: set[int], ended: threading.Event) -> None:
    while not ended.is_set():
        seen |= processes_of(session, folder)
        time.sleep(0.5)
