"""What missing devices have in common: said only where it holds, with its exceptions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from parts import description_of, position_of, room_of, venue_of

from fleet.model.cause import CommonCause, Place
from fleet.model.venue import References
from fleet.reconcile.common_causes import common_cause, places_of


def place(circuit: str = "", switch: str = "", room: str = "", rack: str = "", model: str = "Tarn 12") -> Place:
    def named(text: str) -> frozenset[str]:
        return frozenset(text.split())

    rooms = frozenset({room} if room else ())
    return Place(
        circuits=named(circuit), switches=named(switch), racks=named(rack), rooms=rooms, model=model, firmware="1.0"
    )


def devices(count: int, prefix: str, where: Place) -> dict[str, Place]:
    return {f"{prefix}-{number:02}": where for number in range(1, count + 1)}


HALL = devices(12, "hall", place("B3", "SW-2", "Quay Hall"))
BAR = devices(5, "bar", place("B4", "SW-2", "Bar"))
LOFT = devices(6, "loft", place("B5", "SW-3", "Loft", model="Fell 6"))
ALL = HALL | BAR | LOFT


def told(missing: Mapping[str, Place] | set[str], places: Mapping[str, Place] = ALL) -> CommonCause | None:
    gone = set(missing)
    return common_cause(gone, set(places) - gone, places)


def words(missing: Mapping[str, Place] | set[str], places: Mapping[str, Place] = ALL) -> str:
    found = told(missing, places)
    return found.words if found else ""


def test_a_circuit_is_named() -> None:
    assert words(HALL) == "12 missing, all on circuit B3"


def test_a_switch_is_named_where_two_circuits_are_gone() -> None:
    assert words(HALL | BAR) == "17 missing, all behind switch SW-2"


def test_what_explains_the_very_same_devices_is_said_beside_it() -> None:
    assert words(LOFT) == "6 missing, all on circuit B5 and behind switch SW-3"


def test_a_room_is_named_where_nothing_smaller_explains_it() -> None:
    rooms = devices(2, "a", place("B1", "SW-1", "Quay Hall")) | devices(2, "b", place("B2", "SW-9", "Quay Hall"))
    others = devices(3, "c", place("B1", "SW-1", "Bar")) | devices(3, "d", place("B2", "SW-9", "Bar"))
    assert words(rooms, rooms | others) == "4 missing: every device of Quay Hall"


def test_a_model_with_its_firmware_is_named() -> None:
    odd = devices(3, "odd", place("B3", "SW-2", "Quay Hall", model="Scree 5"))
    assert words(odd, ALL | odd) == "3 missing, all of model Scree 5 with firmware 1.0"


def test_the_whole_venue_is_named() -> None:
    assert words(ALL) == "23 missing: every device of the venue"


def test_one_missing_device_has_nothing_in_common() -> None:
    assert told({"hall-01"}) is None
    assert told(set()) is None


def test_what_many_share_that_are_there_is_no_cause() -> None:
    assert told({"hall-01", "hall-02", "hall-03"}) is None
    assert told({"hall-01", "bar-01", "loft-01"}) is None


def test_a_missing_device_that_does_not_share_it_is_named() -> None:
    found = told({*HALL, "loft-01"})
    assert found is not None
    assert found.words == "12 of 13 missing are on circuit B3; loft-01 is not"
    assert found.apart == ("loft-01",)


def test_more_exceptions_than_can_be_read_are_counted() -> None:
    others = {f"loft-{number:02}" for number in range(1, 6)}
    assert words({*HALL, *others}) == "12 of 17 missing are on circuit B3; 5 others are not"


def test_a_device_that_shares_it_and_is_there_is_named() -> None:
    found = told(set(HALL) - {"hall-12"})
    assert found is not None
    assert found.words == "11 missing, all on circuit B3; hall-12 is there too, and not missing"


def test_a_device_whose_place_is_not_known_shares_nothing_but_the_venue() -> None:
    found = common_cause({*HALL, "stray"}, {*BAR, *LOFT}, ALL)
    assert found is not None
    assert found.apart == ("stray",)


def test_every_device_of_a_room_is_not_said_where_some_are_neither_missing_nor_there() -> None:
    rooms = devices(2, "a", place("B1", room="Quay Hall")) | devices(2, "b", place("B2", room="Quay Hall"))
    others = devices(2, "c", place("B1", room="Bar")) | devices(2, "d", place("B2", room="Bar"))
    asleep = {"e-01": place(room="Quay Hall")}
    found = common_cause(set(rooms), set(others), rooms | others | asleep)
    assert found is not None
    assert found.words == "4 missing, all in Quay Hall"


def test_places_are_read_from_the_references_of_positions() -> None:
    references = References(circuit="B3", switch_port="SW-2/17", rack="R2/14")
    hall = replace(
        room_of(
            position_of(name="left", device="amp-1", room="hall", references=references),
            position_of(name="right", device="amp-1", room="hall", output=2, references=References(circuit="B4")),
            name="hall",
        ),
        title="Quay Hall",
    )
    found = places_of(venue_of(hall), {"amp-1": replace(description_of(model="Tarn 12"), firmware="1.2")})
    assert found == {
        "amp-1": Place(
            circuits=frozenset({"B3", "B4"}),
            switches=frozenset({"SW-2"}),
            racks=frozenset({"R2"}),
            rooms=frozenset({"Quay Hall"}),
            model="Tarn 12",
            firmware="1.2",
        )
    }


names = st.sampled_from(["", "A", "B", "C", "A B"])
some_places = st.dictionaries(
    st.integers(0, 30).map("box-{:02}".format),
    st.builds(place, names, names, st.sampled_from(["", "Hall", "Bar"]), names, st.sampled_from(["", "Fell 6"])),
    max_size=20,
)


def shares(one: Place | None, cause: CommonCause) -> bool:
    """Whether a device is under this cause; written apart from the code under test."""
    if cause.kind == "venue":
        return True
    if one is None:
        return False
    if cause.kind == "model":
        return bool(one.model) and cause.name == f"{one.model} with firmware {one.firmware}"
    held = {"circuit": one.circuits, "switch": one.switches, "rack": one.racks, "room": one.rooms}[cause.kind]
    return cause.name in held


@given(some_places, st.data())
def test_a_cause_is_shared_by_all_it_names_and_by_no_others_than_it_says(
    places: dict[str, Place], data: st.DataObject
) -> None:
    everybody = sorted({*places, "stray-1", "stray-2"})
    missing = set(data.draw(st.lists(st.sampled_from(everybody), unique=True)))
    present = set(everybody) - missing
    found = common_cause(missing, present, places)
    if found is None:
        return
    assert len(missing) >= 2
    assert set(found.devices) | set(found.apart) == missing
    assert set(found.devices) == {d for d in missing if shares(places.get(d), found)}
    assert set(found.spared) == {d for d in present if shares(places.get(d), found)}
    assert len(found.spared) * 10 <= len(found.devices)
    assert len(found.devices) > len(found.apart)
    for exception in (found.apart, found.spared):
        assert len(exception) > 3 or all(device in found.words for device in exception)
    assert str(len(found.devices)) in found.words


@given(some_places, st.data())
def test_a_circuit_that_goes_off_alone_is_always_found(places: dict[str, Place], data: st.DataObject) -> None:
    circuits = sorted({c for one in places.values() for c in one.circuits})
    if not circuits:
        return
    circuit = data.draw(st.sampled_from(circuits))
    missing = {device for device, one in places.items() if circuit in one.circuits}
    found = common_cause(missing, set(places) - missing, places)
    if len(missing) < 2:
        assert found is None
    else:
        assert found is not None
        assert found.kind == "circuit"
        assert (set(found.devices), found.apart, found.spared) == (missing, (), ())


@given(some_places, st.data())
def test_the_order_of_what_is_asked_changes_nothing(places: dict[str, Place], data: st.DataObject) -> None:
    missing = data.draw(st.lists(st.sampled_from(sorted(places)), unique=True)) if places else []
    present = sorted(set(places) - set(missing))
    turned = dict(reversed(places.items()))
    assert common_cause(missing, present, places) == common_cause(missing[::-1], present[::-1], turned)
