"""In which order devices are started, and what forbids it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fleet.reconcile.starting import waves

IDS = st.sets(st.integers(0, 60).map(lambda n: f"box-{n:02d}"), max_size=40)
CIRCUITS = st.dictionaries(st.integers(0, 60).map(lambda n: f"box-{n:02d}"), st.sampled_from(["", "A", "B", "C"]))


def test_one_device_of_each_circuit_in_a_wave() -> None:
    circuits = {"a1": "LP-1", "a2": "LP-1", "a3": "LP-1", "b1": "LP-2", "free": ""}
    assert waves(circuits, circuits) == (("a1", "b1", "free"), ("a2",), ("a3",))


def test_without_circuits_all_start_at_once() -> None:
    assert waves(["b", "a"], {}) == (("a", "b"),)
    assert waves([], {}) == ()


@given(devices=IDS, circuits=CIRCUITS)
def test_every_device_once_and_never_two_of_a_circuit_together(devices: set[str], circuits: dict[str, str]) -> None:
    found = waves(devices, circuits)
    assert sorted(d for wave in found for d in wave) == sorted(devices)
    for wave in found:
        named = [circuits[d] for d in wave if circuits.get(d)]
        assert len(named) == len(set(named))
        assert wave, "no empty wave"
    most = max([sum(circuits.get(d) == c for d in devices) for c in "ABC"], default=0)
    assert len(found) == max(most, 1 if devices else 0), "no wave more than the fullest circuit needs"
