"""Design checks: each finds its mistake, at its place, and is silent where all is well."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from fleet.desired.check import CHECKS, check
from fleet.desired.finding import Finding
from fleet.desired.folder import read_folder
from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.model.description import Description, OutputDescription, PowerUp, Range, SlotAbility
from fleet.model.settings import OutputSettings
from fleet.model.venue import Position

VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
LR24 = "{family: linkwitz_riley, slope_db_per_octave: 24, frequency_hz: 90}"


def version_of(room: str) -> Version:
    return load({"venue.yaml": VENUE, "rooms/hall.yaml": f"format: 1\nroom: hall\n{room}"})


def described(device: str, *, model: str = "example-full", outputs: int = 1) -> Description:
    return Description(
        id=device,
        serial=f"SN-{device}",
        model=model,
        sample_rate_hz=48000,
        outputs=tuple(
            OutputDescription(output=n, passband_hz=(60, 18000), level_db=Range(min=-80, max=6))
            for n in range(1, outputs + 1)
        ),
        power_up=PowerUp(behaviour="last_state"),
        slots=SlotAbility(count=8, factory=(1, 2)),
    )


def nothing_wrong(_position: Position, _description: Description) -> Sequence[tuple[str, str]]:
    return ()


def found(name: str, version: Version, *devices: Description, problems_of=nothing_wrong) -> list[str]:
    descriptions: Mapping[str, Description] = {device.id: device for device in devices}
    return [told(each) for each in check(version, descriptions, problems_of).findings if each.name == name]


def told(finding: Finding) -> str:
    place = f"{finding.complaint.line}:{finding.complaint.column}"
    return f"{finding.severity} {place} {finding.complaint.text}"


def test_the_example_venue_has_little_to_find():
    version = load(read_folder(Path(__file__).parent / "good" / "weir"))
    models = {"sub-0107": "example-sub", "amp-0031": "example-amp"}
    devices = {
        position.device: described(position.device, model=models.get(position.device, "example-full"), outputs=2)
        for position in version.venue.positions()
    }
    findings = check(version, devices, nothing_wrong).findings
    assert {(each.name, each.severity) for each in findings} == {
        ("no-group", "note"),
        ("slot-partial", "note"),
        ("set-unlike", "warning"),  # one of the mains has a band of its own
        ("line-high-pass", "warning"),
    }


def test_life_safety_reports_first():
    assert next(iter(CHECKS)) == "life-safety"
    version = version_of(
        "positions:\n"
        "  a: {device: box-1, output: 2, level_db: -6, ceiling_db: -9}\n"
        "  horn: {device: box-1, life_safety: true}\n"
    )
    findings = check(version, {}, nothing_wrong).findings
    assert [each.name for each in findings] == ["life-safety", "ceiling", "no-group"]


def test_a_device_that_serves_life_safety_must_not_be_written_to():
    version = version_of(
        "positions:\n"
        "  bar: {device: amp-1, output: 2, level_db: -6, slot: 3}\n"
        "  quiet: {device: amp-1, output: 3}\n"
        "  horn: {device: amp-1, life_safety: true}\n"
    )
    assert found("life-safety", version) == [
        "error 4:3 `bar` is given `level_db` and `slot`, but its device `amp-1` also serves `horn`, "
        "which is life_safety: such a device is never written to"
    ]


def test_a_life_safety_position_with_settings_is_an_error_however_it_came_about():
    version = version_of("positions:\n  horn: {device: amp-1, life_safety: true}\n")
    hall = version.venue.rooms["hall"]
    horn = replace(hall.positions["horn"], fixed=OutputSettings(mute=False))
    hall = replace(hall, positions={"horn": horn})
    tampered = replace(version, venue=replace(version.venue, rooms={"hall": hall}))
    assert found("life-safety", version) == []
    assert found("life-safety", tampered) == [
        "error 4:3 `horn` is life_safety and is never written to, but is given `mute`"
    ]


@pytest.mark.parametrize(
    ("level", "complaint"),
    [("-3", ""), ("-2.5", "-2.5 dB"), ("{between: [-20, -3]}", ""), ("{between: [-20, 0]}", "0 dB")],
)
def test_level_above_the_ceiling(level, complaint):
    version = version_of(f"positions:\n  a: {{device: box-1, ceiling_db: -3, level_db: {level}}}\n")
    text = f"error 4:38 `a` would be at {complaint}, above its ceiling of -3 dB"
    assert found("ceiling", version) == ([text] if complaint else [])


def test_one_output_of_two_positions():
    version = version_of("positions:\n  a: {device: box-1}\n  b: {device: box-2}\n")
    hall = version.venue.rooms["hall"]
    doubled = {**hall.positions, "b": replace(hall.positions["b"], device="box-1")}
    tampered = replace(version, venue=replace(version.venue, rooms={"hall": replace(hall, positions=doubled)}))
    assert found("output-shared", version) == []
    assert found("output-shared", tampered) == ["error 5:7 output 1 of `box-1` already serves `a` of room `hall`"]


def test_unknown_device_only_where_devices_are_known():
    version = version_of("positions:\n  a: {device: box-1}\n  b: {device: box-2}\n")
    assert found("unknown-device", version) == []
    assert found("unknown-device", version, described("box-1")) == [
        "warning 5:7 device `box-2` has never been seen; nothing of it could be checked"
    ]


def test_what_a_device_cannot_represent():
    version = version_of("positions:\n  a: {device: box-1, level_db: 20}\n  b: {device: box-1, output: 2}\n")

    def too_loud(position: Position, _description: Description) -> Sequence[tuple[str, str]]:
        return [("level_db", "level 20 dB is above 6 dB")] if position.fixed.level_db == 20 else []

    assert found("not-representable", version, described("box-1"), problems_of=too_loud) == [
        "error 4:22 `a` on `box-1` (example-full): level 20 dB is above 6 dB",
        "error 5:22 `box-1` (example-full) has no output 2",
    ]


@pytest.mark.parametrize(
    ("slot", "complaint"),
    [
        (1, "slot 1 of `box-1` (example-full) is the factory's and locked; choose a user slot"),
        (3, ""),
        (8, ""),
        (9, "slot 9 does not exist: `box-1` (example-full) has 8"),
    ],
)
def test_slot_that_cannot_hold_the_house_curve(slot, complaint):
    version = version_of(f"positions:\n  a: {{device: box-1, slot: {slot}}}\n")
    assert found("slot", version, described("box-1")) == ([f"error 4:22 {complaint}"] if complaint else [])


def test_slot_missing_for_a_model():
    version = version_of(
        "curves: {warm: []}\nhouse_curve: {curve: warm, slots: {example-full: 5}}\n"
        "positions:\n  a: {device: box-1}\n  b: {device: box-2}\n"
    )
    devices = [described("box-1"), described("box-2", model="example-sub")]
    assert found("slot-missing", version, *devices) == [
        "warning 4:28 no slot for model `example-sub` of `b`; add it to `slots`, or `*`"
    ]


@pytest.mark.parametrize(
    ("frequency", "severity"), [(21600, ""), (21601, "warning"), (23999, "warning"), (24000, "error")]
)
def test_band_near_or_above_half_the_sample_rate(frequency, severity):
    """Nyquist: half of 48 kHz is 24 kHz. 0.45 of the rate is common practice, no published source."""
    version = version_of(
        f"positions:\n  a: {{device: box-1, eq: [{{shape: bell, frequency_hz: {frequency}, gain_db: 1, q: 1}}]}}\n"
    )
    said = found("band-frequency", version, described("box-1"))
    assert [each.split()[0] for each in said] == ([severity] if severity else [])


def room_with(top: str, sub: str) -> Version:
    return version_of(
        f"groups:\n  mains: {{together: true, {top}}}\n  subs: {{role: sub, {sub}}}\n"
        "positions:\n"
        "  left: {device: box-1, groups: [mains]}\n  right: {device: box-2, groups: [mains]}\n"
        "  sub: {device: box-3, groups: [subs]}\n  bar: {device: box-4}\n"
    )


def test_full_range_tops_beside_filtered_subs():
    """Common practice, no published source."""
    low = f"low_pass: {LR24}"
    assert found("full-range-top", room_with(f"high_pass: {LR24}", low)) == []
    assert found("full-range-top", room_with("high_pass: none", "low_pass: none")) == []
    assert found("full-range-top", room_with("high_pass: none", low)) == [
        "warning 4:27 `left` and `right` would play full-range while the subs have a low-pass "
        "(linkwitz-riley, 24 dB per octave, 90 Hz); give a `high_pass`"
    ]


@pytest.mark.parametrize(
    ("family", "slope", "frequency", "belongs"),
    [
        ("linkwitz_riley", 24, 90, True),
        ("linkwitz_riley", 24, 92.7, True),
        ("linkwitz_riley", 24, 92.8, False),
        ("linkwitz_riley", 24, 87.2, False),
        ("linkwitz_riley", 12, 90, False),
        ("butterworth", 24, 90, False),
    ],
)
def test_crossovers_that_do_not_belong_together(family, slope, frequency, belongs):
    """3 % is common practice, no published source; 90 Hz plus 3 % is 92.7 Hz."""
    high = f"high_pass: {{family: {family}, slope_db_per_octave: {slope}, frequency_hz: {frequency}}}"
    said = found("crossover-pair", room_with(high, f"low_pass: {LR24}"))
    kind = family.replace("_", "-")
    text = (
        f"warning 4:27 the high-pass of `left` and `right` ({kind}, {slope} dB per octave, {frequency:g} Hz) "
        "does not belong to the subs' low-pass (linkwitz-riley, 24 dB per octave, 90 Hz)"
    )
    assert [each.startswith(text) for each in said] == ([] if belongs else [True])
