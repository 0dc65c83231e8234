"""Snapshots: sealed by a hash that anyone can work out, compared by meaning, and honest about who did not answer."""

from __future__ import annotations

import hashlib
import json

import pytest
import rfc8785

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import WentOffline
from fleet.errors import NotFound
from fleet.faces import snapshot_documents
from fleet.model import edge
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.snapshot import Snapshot, SnapshotBody
from fleet.services.together import Services


def turn_up(driver: MemoryDriver, device: str, level_db: float) -> None:
    one = driver.devices[device]
    one.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(one.live)
    driver.touched(device)


async def test_the_seal_can_be_worked_out_from_the_document(services: Services) -> None:
    taken = await services.snapshots.take("ines", "before the autumn season – gréement")
    document = json.loads(json.dumps(snapshot_documents.snapshot(await services.snapshots.get(taken.id))))
    body = document["body"]

    def sha256(value: object) -> str:
        return hashlib.sha256(rfc8785.dumps(value)).hexdigest()  # type: ignore[arg-type]

    def whole() -> str:
        return sha256(
            {
                "format": "fleet-snapshot/2",
                "head": sha256(["head", {n: v for n, v in body.items() if n not in ("devices", "not_read")}]),
                "devices": [sha256(["device", one]) for one in body["devices"]],
                "not_read": [sha256(["not read", one]) for one in body["not_read"]],
            }
        )

    assert whole() == document["sha256"] == taken.sha256
    body["devices"][0]["state"]["live"]["outputs"]["1"]["level_db"] += 1
    assert whole() != taken.sha256


async def test_one_of_an_earlier_release_is_read_and_exported_as_it_was(services: Services) -> None:
    taken = await services.snapshots.take("ines")
    body = edge.plain(taken.body)
    for later in ("id", "taken", "change", "scope", "audit", "key_sha256", "not_checked"):
        del body[later]
    text = edge.canonical_json(body)
    old = Snapshot(id="s-old", body=edge.parse_json(SnapshotBody, text), sha256=edge.digest(body), text=text)
    await services.store.save_snapshot(old)
    document = json.loads(json.dumps(snapshot_documents.snapshot(await services.snapshots.get("s-old"))))
    assert (document["format"], document["body"]) == ("fleet-snapshot/1", body)
    canonical = json.dumps(document["body"], sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert hashlib.sha256(canonical).hexdigest() == document["sha256"]
    assert (await services.snapshots.compare("s-old", taken.id)).same()


async def test_it_holds_every_device_and_names_the_missing(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-1"].online = False
    services.inventory.hear(WentOffline(device="box-2"))
    body = (await services.snapshots.take("ines")).body
    assert [r.description.id for r in body.devices] == ["box-3", "box-4", "box-5", "box-9"]
    assert [(n.device, n.room, n.position) for n in body.not_read] == [
        ("box-1", "weir-hall", "main-left"),
        ("box-2", "weir-hall", "main-right"),
    ]
    version = services.desired.in_force()
    assert (body.venue, body.desired_sha256, body.taken_by) == ("Harbour House", version.sha256, "ines")


async def test_two_moments_are_compared_by_meaning(services: Services, driver: MemoryDriver) -> None:
    first = await services.snapshots.take("ines")
    driver.touched("box-4")  # another revision, the same sound
    second = await services.snapshots.take("ines")
    assert second.sha256 != first.sha256
    same = await services.snapshots.compare(first.id, second.id)
    assert same.same()
    assert same.differences == ()
    turn_up(driver, "box-4", -3.0)
    third = await services.snapshots.take("ines")
    found = await services.snapshots.compare(first.id, third.id)
    live = [d for d in found.differences if d.subject == "live"]
    assert [(d.device, d.setting, d.amount) for d in live] == [("box-4", "level_db", 3.0)]
    back = await services.snapshots.compare(third.id, first.id)
    words = [d.words for d in (*live, *back.differences) if d.subject == "live"]
    assert ["louder" in w for w in words] == [True, False]


async def test_unknown_snapshots(services: Services) -> None:
    taken = await services.snapshots.take("ines")
    with pytest.raises(NotFound, match="s-9999"):
        await services.snapshots.get("s-9999")
    with pytest.raises(NotFound, match="s-9999"):
        await services.snapshots.compare(taken.id, "s-9999")
    assert [e.id for e in await services.snapshots.entries()] == [taken.id]
