"""The version in force: taken whole or not at all, and a doubtful one only where it is asked for by name."""

from __future__ import annotations

import pytest

from fleet.errors import BadFiles, Refused
from fleet.services.desired import Desired
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, FOYER, HALL, NOON, VENUE

LATER = {**FILES, "rooms/foyer.yaml": FOYER.replace("-10", "-11")}
SMALL = {"venue.yaml": VENUE, "rooms/foyer.yaml": FOYER}
EMPTY = {"venue.yaml": VENUE}


@pytest.fixture
def desired(store: Store) -> Desired:
    return Desired(store, lambda: NOON)


async def test_a_version_is_loaded_and_outlives_a_restart(store: Store, desired: Desired) -> None:
    with pytest.raises(Refused, match="fleet load FOLDER"):
        desired.in_force()
    assert desired.bound() == frozenset()
    loaded = await desired.load(FILES, "ines")
    assert (loaded.number, loaded.unchanged) == (1, False)
    later = Desired(store, lambda: NOON)
    await later.open()
    assert later.venue() == desired.venue()
    assert later.bound() == {"box-1", "box-2", "box-3", "box-4", "box-5", "box-9"}
    stored = await store.latest_version()
    assert stored is not None
    assert (stored.who, stored.at) == ("ines", NOON)


async def test_the_same_files_again_change_nothing(store: Store, desired: Desired) -> None:
    await desired.load(FILES, "ines")
    again = await desired.load(dict(reversed(FILES.items())), "someone else")
    assert (again.number, again.unchanged) == (1, True)
    assert len(await store.versions()) == 1


@pytest.mark.parametrize(("first", "doubtful", "guard"), [(FILES, EMPTY, "empty"), (FILES, SMALL, "smaller")])
async def test_a_doubtful_version_is_taken_only_by_name(
    desired: Desired, first: dict[str, str], doubtful: dict[str, str], guard: str
) -> None:
    await desired.load(first, "ines")
    before = desired.in_force()
    with pytest.raises(Refused, match=f"--allow {guard}") as refusal:
        await desired.load(doubtful, "ines", allow=[g for g in ("older", "empty", "smaller") if g != guard])
    assert refusal.value.guards == (guard,)
    assert desired.version is before
    await desired.load(doubtful, "ines", allow=[guard])
    assert len(desired.bound()) < len(before.venue.positions())


async def test_an_older_version_is_taken_only_by_name(store: Store, desired: Desired) -> None:
    await desired.load(FILES, "ines")
    await desired.load(LATER, "ines")
    with pytest.raises(Refused, match="--allow older") as refusal:
        await desired.load(FILES, "ines")
    assert refusal.value.guards == ("older",)
    loaded = await desired.load(FILES, "ines", allow=["older"])
    assert loaded.number == 3
    assert [v.number for v in await store.versions()] == [3, 2, 1]


async def test_every_doubt_is_asked_for(desired: Desired) -> None:
    await desired.load(SMALL, "ines")
    await desired.load(FILES, "ines")
    with pytest.raises(Refused) as refusal:
        await desired.load(SMALL, "ines", allow=["older"])
    assert refusal.value.guards == ("smaller",)
    await desired.load(SMALL, "ines", allow=["older", "smaller"])


async def test_bad_files_leave_the_version_in_force(store: Store, desired: Desired) -> None:
    await desired.load(FILES, "ines")
    before = desired.version
    bad = {**FILES, "rooms/weir-hall.yaml": HALL.replace("level_db: -12", "level_db: loud").replace("q: 1.4", "q: 0")}
    with pytest.raises(BadFiles) as mistakes:
        await desired.load(bad, "ines")
    assert len(mistakes.value.complaints) == 2, "all at once"
    assert desired.version is before
    assert len(await store.versions()) == 1
