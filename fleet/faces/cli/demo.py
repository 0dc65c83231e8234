"""The demo: the whole job on simulated loudspeakers, through the same commands' API that people use.

Broker and daemon run as one process tree, the simulated devices as another; everything lives in a temporary folder and
is gone at the end.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from fleet.errors import FleetError
from fleet.faces.cli import show
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.demo_parts import DemoParts, demo_parts
from fleet.faces.cli.options import SAME, TROUBLE, print_json, who
from fleet.faces.cli.progress import follow
from fleet.faces.documents import Document

ALLOWED = ["rise", "half-room", "live-click"]
"""Guard rails that the demo lifts by name, as a person would who has read them."""
SETTLE_WITHIN_S = 15.0
BOXES_CUT = 3


def run_demo(*, stay: bool, json: bool) -> int:
    """Run the demo; the exit code is 0 only where everything came out as it should."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="fleet-demo-") as folder, demo_parts(Path(folder)) as parts:
        demo = Demo(parts, quiet=json)
        report = demo.run()
        report["seconds"] = round(time.monotonic() - started, 1)
        if json:
            print_json(report)
        else:
            _say_end(report, demo.wrong)
        if stay:
            _stay(parts)
    return TROUBLE if demo.wrong else SAME


class Demo:
    """One run of the job. `wrong` collects what did not come out as it should."""

    def __init__(self, parts: DemoParts, *, quiet: bool) -> None:
        self.wrong: list[str] = []
        self._parts = parts
        self._daemon: Daemon = parts.daemon
        self._quiet = quiet
        self._left_out: dict[str, list[str]] = {}

    def run(self) -> Document:
        """The job, step by step; the report that `--json` prints."""
        devices = self._find()
        first = self._snapshot("as found")
        before = self._compare("Compare: what differs from the room files?")
        room, group = self._first_group(before)
        change = self._apply(room, group)
        after_apply = self._compare(f"Verify: the venue after applying {group} of {room}", brief=True)
        self._roll_back(change["id"])
        after_rollback = self._compare("After the rollback everything is as it was found", brief=True)
        self._apply_rest(before)
        after_all = self._compare("After applying every room and storing the house curves", brief=True)
        cut = self._power_cut()
        self._recall(cut)
        after_recall = self._compare("After the recall", brief=True)
        last = self._snapshot("put right")
        moved = self._daemon.get(f"/snapshots/{first['id']}/against/{last['id']}")
        self._say(f"the second snapshot differs from the first in {_counting(moved)} audible or serious settings")
        compared = {
            "before": before,
            "after_apply": after_apply,
            "after_rollback": after_rollback,
            "after_all": after_all,
            "after_recall": after_recall,
        }
        counted = {name: _counting(document) for name, document in compared.items()}
        self._judge(devices, counted, change, moved)
        return {
            "format": "fleet-demo/1",
            "devices": devices,
            "differences": counted,
            "compared_at": {name: document["compared_at"] for name, document in compared.items()},
            "change": {"id": change["id"], "result": change["state"]},
            "snapshot": {"id": last["id"], "sha256": last["sha256"]},
            "wrong": self.wrong,
        }

    def _find(self) -> Document:
        self._head("Find: what is on the network?")
        expected = self._parts.simulated
        deadline = time.monotonic() + SETTLE_WITHIN_S
        while True:
            document = self._daemon.every("/devices", "devices")
            counts: Document = document["counts"]
            if counts["found"] >= expected <= counts["announced"] or time.monotonic() > deadline:
                break
            time.sleep(0.1)
        if not self._quiet:
            show.devices(document, self._daemon.clock())
        return counts

    def _compare(self, title: str, *, brief: bool = False) -> Document:
        self._head(title)
        document = self._daemon.get("/diff")
        document["compared_at"] = datetime.now(UTC).isoformat()
        if not self._quiet:
            if brief:
                counts = document["counts"]
                show.say(f"{counts['serious']} serious, {counts['audible']} audible, {counts['slight']} slight")
            else:
                show.differences(document)
        return document

    def _first_group(self, found: Document) -> tuple[str, str]:
        """The group to begin with: with most serious differences, all its devices able to stage and take part."""
        serious = Counter((d["room"], d["position"]) for d in found["differences"] if d["grade"] == "serious")
        away = {(n["room"], n["position"]) for n in found["not_checked"]}
        ranked = sorted(
            (-sum(serious[room["room"], p] for p in positions), room["room"], group)
            for room in self._daemon.get("/rooms")["rooms"]
            for group, positions in room["groups"].items()
            if not away & {(room["room"], p) for p in positions}
        )
        for count, room, group in ranked:
            plan = self._daemon.post("/plans", {"kind": "apply", "room": room, "group": group})
            if count and all(d["stages"] for d in plan["devices"]):
                return room, group
        raise FleetError("the demo venue has no group to begin with: nothing serious was found")

    def _apply(self, room: str, group: str) -> Document:
        self._head(f"Apply: put the group {group} of {room} right, all of it or nothing")
        return self._change({"kind": "apply", "room": room, "group": group}, "a group first")

    def _roll_back(self, change: str) -> None:
        self._head("Roll back: undo that change")
        self._change({"kind": "rollback", "change": change}, "to show that it can be undone")

    def _apply_rest(self, found: Document) -> None:
        for n in found["not_checked"]:
            if n["reason"] != "life_safety":
                self._left_out.setdefault(n["room"], []).append(n["position"])
        rooms = [r["room"] for r in self._daemon.get("/rooms")["rooms"]]
        self._head("Apply and store: every room, without the boxes that cannot take part")
        for kind in ("apply", "store"):
            for room in rooms:
                asked = {"kind": kind, "room": room, "without": self._left_out.get(room, []), "also": rooms}
                self._change(asked, "put the venue right", brief=True)

    def _power_cut(self) -> list[str]:
        """Cut the power of a few boxes that come back in a default slot; their rooms."""
        boxes = self._with_default_slot()[:BOXES_CUT]
        self._head(f"A power cut: {', '.join(b['id'] for b in boxes)}")
        boots = {b["id"]: b["reported"]["state"]["moment"]["boot_id"] for b in boxes}
        self._parts.cut_power(list(boots))
        self._wait_until_back(boots)
        found = self._compare("They came back in their default slot:")
        if not _counting(found):
            self.wrong.append("the power cut left no trace")
        return sorted({b["positions"][0].split("/")[0] for b in boxes})

    def _recall(self, rooms: list[str]) -> None:
        self._head(f"Recall: the stored house curve of {', '.join(rooms)}, in one press")
        for room in rooms:
            self._change({"kind": "recall", "room": room}, "after the power cut")

    def _snapshot(self, note: str) -> Document:
        document = self._daemon.post("/snapshots", {"who": who(), "note": note})
        self._say()
        self._say(f"snapshot {document['id']} ({note}), sha256 {document['sha256'][:16]}…")
        return document

    def _change(self, asked: Document, why: str, *, brief: bool = False) -> Document:
        """Plan, show, start by the plan's hash, follow to the end; anything but kept is wrong."""
        plan = self._daemon.post("/plans", asked)
        if plan["empty"]:
            self._say(f"{plan['kind']} {plan['scope']}: nothing to do")
            return {"id": "", "state": "kept"}
        if not self._quiet and not brief:
            show.plan(plan, ALLOWED)
        body = {**asked, "digest": plan["digest"], "who": who(), "why": why, "allow": ALLOWED}
        document = follow(self._daemon, self._daemon.post("/changes", body)["id"])
        if document["state"] != "kept":
            self.wrong.append(f"change {document['id']} ({plan['kind']} {plan['scope']}) ended {document['state']}")
        if not self._quiet:
            show.change(document, self._daemon.clock())
        return document

    def _with_default_slot(self) -> list[Document]:
        rows = [d for d in self._daemon.every("/devices", "devices")["devices"] if d["status"] == "bound"]
        found = [self._daemon.get(f"/devices/{row['id']}") for row in rows]
        return [
            d
            for d in found
            if d["reported"]
            and (power_up := d["reported"]["description"]["power_up"])["behaviour"] == "default_slot"
            and (d["reported"]["state"]["live"]["power_up_slot"] or power_up["slot"])
            != d["reported"]["state"]["active_slot"]
        ]

    def _wait_until_back(self, boots: dict[str, str]) -> None:
        deadline = time.monotonic() + SETTLE_WITHIN_S
        waiting = dict(boots)
        while waiting and time.monotonic() < deadline:
            time.sleep(0.1)
            for device, boot in list(waiting.items()):
                document = self._daemon.get(f"/devices/{device}")
                if document["online"] and document["reported"]["state"]["moment"]["boot_id"] != boot:
                    del waiting[device]
        if waiting:
            self.wrong.append(f"{', '.join(waiting)} did not come back")

    def _judge(self, devices: Document, counted: dict[str, int], change: Document, moved: Document) -> None:
        expected = {
            f"every simulated device is announced ({self._parts.simulated})": devices["announced"]
            == self._parts.simulated,
            "every simulated device is found": devices["found"] == self._parts.simulated,
            "the missing, the conflicting and the unknown devices are told apart": devices["missing"] > 0
            and devices["conflicting"] > 0
            and devices["unknown"] > 0,
            "mistakes are found": counted["before"] > 0,
            "applying a group leaves fewer of them": counted["after_apply"] < counted["before"],
            "the rollback brings them back": counted["after_rollback"] == counted["before"],
            "applying the rest leaves none": counted["after_all"] == 0,
            "the recall leaves none": counted["after_recall"] == 0,
            "the first change was kept": change["state"] == "kept",
            "the snapshots differ by what was put right": _counting(moved) > 0,
        }
        self.wrong += [f"expected, but not so: {words}" for words, so in expected.items() if not so]

    def _head(self, title: str) -> None:
        self._say()
        self._say(f"== {title}")

    def _say(self, text: str = "") -> None:
        if not self._quiet:
            show.say(text)


def _counting(document: Document) -> int:
    return int(document["counts"]["audible"] + document["counts"]["serious"])


def _say_end(report: Document, wrong: list[str]) -> None:
    show.say()
    for line in wrong:
        show.say(f"WRONG: {line}")
    word = "not everything came out as it should" if wrong else "everything came out as it should"
    show.say(f"{word}, in {report['seconds']} s")


def _stay(parts: DemoParts) -> None:
    commands = (f"export FLEET_HOME={parts.home}", "fleet devices", parts.panel_example, "fleet diff", "fleet changes")
    lines = ("", "The demo goes on until Ctrl-C. In another terminal, try:", "", *(f"  {one}" for one in commands), "")
    for line in lines:
        show.tell(line)
    try:
        while parts.alive():
            time.sleep(0.5)
    except KeyboardInterrupt:
        show.tell("stopping")
