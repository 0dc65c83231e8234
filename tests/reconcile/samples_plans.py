"""Venues, devices and outlooks that the tests of plans, guards and changes are built from."""

from __future__ import annotations

from dataclasses import replace

from parts import BARE_OUTPUT, STORES, description_of, output_of, position_of, room_of, venue_of
from pure_device import PureDevice

from fleet.model.description import Range, SlotAbility
from fleet.model.plan import DevicePlan, Plan
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.venue import Group
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal, reach
from fleet.reconcile.representable import representable
from fleet.reconcile.scope import Scope
from fleet.reconcile.wanted_devices import wanted_devices

FLAT = OutputSettings(level_db=0.0, polarity="normal", delay_ms=0.0, eq=(), high_pass="none", low_pass="none")
COARSE = Range(min=-60, max=6, step=1)
HALL = Scope(rooms=("hall",))

SLOTS = SlotAbility(count=8, factory=(1, 2), stores=STORES)
MODELS = {
    "full": description_of(model="Tarn 12"),
    "sub": description_of(model="Tarn Sub", outputs=(output_of(protective_high_pass_hz=30, passband_hz=(30, 200)),)),
    "amp": description_of(
        model="Beck 3",
        outputs=tuple(output_of(n, level_db=COARSE) for n in (1, 2, 3)),
        slots=replace(SLOTS, stores=(*STORES, "input")),
    ),
    "closed": description_of(model="Tor 8", slots=replace(SLOTS, readable_inactive=False)),
    "live-only": description_of(model="Fell 6", slots=replace(SLOTS, store_needs_live=True)),
    "bare": description_of(
        model="Scree 5", outputs=(BARE_OUTPUT,), inputs=(), panel_lock=False, slots=SlotAbility(count=0)
    ),
}


def able(model, settings, output=1):
    """Those of the settings that an output of the model has."""
    described = MODELS[model].output(output)
    have = {n for n in STORES if getattr(described, n)}
    return settings.only(have)


def device_of(name="box-1", model="full", *, live=None, slots=None, **other):
    """A device in memory; outputs are flat where `live` says nothing else, slots are flat too."""
    description = replace(MODELS[model], id=name, serial=f"TN-{name}")
    numbers = [o.output for o in description.outputs]
    outputs = {n: (live or {}).get(n, OutputSettings()).over(able(model, FLAT, n)) for n in numbers}
    kept = {
        n: SlotContents(slot=n, name=f"slot-{n}", outputs={o: able(model, FLAT, o) for o in numbers}, input="analogue")
        for n in range(1, description.slots.count + 1)
    }
    if "input" not in description.slots.stores:
        kept = {n: replace(contents, input=None) for n, contents in kept.items()}
    wide = {"input": "network", "panel_locked": False, "power_up_slot": 1} if description.inputs else {}
    wide |= other.pop("wide", {})
    return PureDevice(
        description=description,
        live=DeviceSettings(outputs=outputs, **wide),
        slots=kept | (slots or {}),
        **{"active_slot": 3 if kept else None, **other},
    )


def position(name, device, **other):
    return position_of(name, **{"room": "hall", "device": device, **other})


def hall(*positions, together=(), name="hall", **other):
    """A room; `together` maps the names of coherent sets to the names of their positions."""
    sets = dict(together)
    marked = [replace(p, coherent=tuple(s for s in sets if p.name in sets[s])) for p in positions]
    groups = {s: Group(name=s, room=name, positions=tuple(members), together=True) for s, members in sets.items()}
    return replace(room_of(*marked, name=name, **other), groups=groups)


def outlook_of(rooms, devices, **other):
    """What a plan is made from, as the devices are now."""
    venue = venue_of(*rooms)
    descriptions = {d.id: d.description for d in devices}
    wants, wrong = wanted_devices(venue, sorted({p.device for p in venue.positions()}), descriptions, representable)
    dead = other.get("unreachable", {})
    return Outlook(
        **{
            "venue": venue,
            "desired_sha256": "0" * 64,
            "wants": wants,
            "reported": {d.id: d.reported() for d in devices if d.id not in dead},
            "unsuitable": {d: str(e) for d, e in wrong.items()},
            "plainly": frozenset(d.id for d in devices if not d.stages),
            **other,
        }
    )


def device_plan(device, goal=None, *, positions=(), **live) -> DevicePlan:
    """The part of a plan that brings a device to a goal, or its first output to the settings given."""
    wanted = goal or Goal(live=DeviceSettings(outputs={1: OutputSettings(**live)}))
    plan = reach(device.reported(), wanted, positions, stages=device.stages)
    assert plan is not None
    return plan


def plan_of(*plans) -> Plan:
    devices = tuple(sorted(plans, key=lambda p: p.device))
    return Plan(kind="apply", rooms=("hall",), scope="hall", devices=devices)


def carry_out(plan, devices):
    """Do a plan's work at once on devices in memory."""
    by_id = {d.id: d for d in devices}
    for part in plan.devices:
        for phase in sorted(part.work):
            by_id[part.device].do(part.work[phase], store=True)
