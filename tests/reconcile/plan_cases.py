"""Reads the cases of the folder `plans`, and says plans in the words those files use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml
from pure_device import PureDevice
from samples_plans import carry_out, device_of

from fleet.desired.load import load
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.edge import parse
from fleet.model.plan import DevicePlan, Phase, Plan, Work
from fleet.model.settings import OutputSettings
from fleet.model.venue import Venue
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.representable import representable
from fleet.reconcile.rollback import plan_rollback
from fleet.reconcile.scope import Scope
from fleet.reconcile.store_plans import plan_store
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.reconcile.words import SETTING_WORDS, raw

CASES = sorted((Path(__file__).parent / "plans").glob("*.yaml"))
PLANNERS = {"apply": plan_apply, "recall": plan_recall, "store": plan_store}


@dataclass
class Case:
    """One file: its desired state, its devices, and what is expected."""

    told: dict[str, Any]
    venue: Venue
    devices: list[PureDevice]

    def outlook(self) -> Outlook:
        """What the plan is made from, as the devices are now."""
        absent = {d: t["absent"] for d, t in self.told["devices"].items() if "absent" in t}
        conflicting = {d: t["conflicting"] for d, t in self.told["devices"].items() if "conflicting" in t}
        descriptions = {d.id: d.description for d in self.devices}
        wants, wrong = wanted_devices(self.venue, sorted(descriptions), descriptions, representable)
        assert wrong == {}
        return Outlook(
            venue=self.venue,
            desired_sha256="0" * 64,
            wants=wants,
            reported={d.id: d.reported() for d in self.devices if d.id not in absent},
            unreachable=absent,
            conflicting=conflicting,
            plainly=frozenset(d.id for d in self.devices if not d.stages),
        )

    def scope(self) -> Scope:
        """What the case asks for."""
        asked = dict(self.told.get("scope", {}))
        sets = {name: frozenset(asked.pop(name, ())) for name in ("without", "also")}
        return Scope(rooms=tuple(asked.pop("rooms", ["hall"])), **asked, **sets)

    def plan(self) -> Plan:
        """The plan; before a rollback, the change it undoes is carried out."""
        if self.told["do"] != "rollback":
            return PLANNERS[self.told["do"]](self.outlook(), self.scope())
        record = kept(plan_apply(self.outlook(), self.scope()))
        carry_out(record.plan, self.devices)
        for device in self.devices:
            for number, settings in self.told.get("meanwhile", {}).get(device.id, {}).items():
                outputs = {**device.live.outputs}
                outputs[number] = parse(OutputSettings, settings).over(outputs[number])
                device.live = replace(device.live, outputs=outputs)
        return plan_rollback(self.outlook(), record)


def read(path: Path) -> Case:
    """A case from its file."""
    told = yaml.safe_load(path.read_text(encoding="utf-8"))
    files = {"venue.yaml": "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"}
    for name, body in told["rooms"].items():
        files[f"rooms/{name}.yaml"] = yaml.safe_dump({"format": 1, "room": name, **body})
    return Case(told=told, venue=load(files).venue, devices=[_device(d, t) for d, t in told["devices"].items()])


def kept(plan: Plan) -> ChangeRecord:
    """The record of a change that was carried out and kept."""
    started = datetime(2025, 3, 1, tzinfo=UTC)
    return ChangeRecord(id="c-1", plan=plan, who="sol", why="", started=started, state=ChangeState.KEPT)


def steps(plan: Plan) -> dict[str, list[str]]:
    """The work of a plan in the words of the case files."""
    return {part.device: list(_steps(part)) for part in plan.devices}


def _device(name: str, told: dict[str, Any]) -> PureDevice:
    model = told.get("model", "full")
    bare = device_of(name, model)
    slots = {}
    for number, outputs in told.get("slots", {}).items():
        flat = bare.slots[number].outputs or {}
        held = {n: parse(OutputSettings, outputs.get(n, {})).over(flat[n]) for n in flat}
        slots[number] = replace(bare.slots[number], outputs=held)
    device = device_of(
        name,
        model,
        live={n: parse(OutputSettings, s) for n, s in told.get("live", {}).items()},
        slots=slots,
        causes={n: set(c) for n, c in told.get("muted", {}).items()},
        stages=not told.get("plain", False),
        wide={"input": told["input"]} if "input" in told else {},
        active_slot=told.get("slot", bare.active_slot),
    )
    return with_level_step(device, told["level_step_db"]) if "level_step_db" in told else device


def with_level_step(device: PureDevice, step_db: float) -> PureDevice:
    """The device with another step of its levels; 0 for none."""
    outputs = tuple(replace(o, level_db=replace(o.level_db, step=step_db)) for o in device.description.outputs)
    device.description = replace(device.description, outputs=outputs)
    return device


def _steps(part: DevicePlan) -> Iterator[str]:
    for phase, work in part.work.items():
        if phase in (Phase.MUTE, Phase.UNMUTE):
            assert work.settings is not None
            yield f"{phase.word} {', '.join(map(str, work.settings.outputs))}"
        else:
            yield from _done(phase, work)


def _done(phase: Phase, work: Work) -> Iterator[str]:
    if work.recall is not None:
        yield f"recall slot {work.recall}"
    if work.settings is not None:
        for name in work.settings.given():
            yield f"{phase.word} {SETTING_WORDS[name]} {raw(name, getattr(work.settings, name))}"
        for number, settings in work.settings.outputs.items():
            yield f"{phase.word} output {number}: {_said(settings)}"
    for contents in work.slot_contents:
        for number, settings in (contents.outputs or {}).items():
            yield f"store slot {contents.slot} output {number}: {_said(settings)}"


def _said(settings: OutputSettings) -> str:
    return ", ".join(f"{SETTING_WORDS[name]} {raw(name, getattr(settings, name))}" for name in settings.given())
