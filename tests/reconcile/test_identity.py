"""Whether a device is still the one that was accepted: boots, revisions, serials, MAC addresses (wire contract)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import description_of, untimed

from fleet.model.inventory import Identity
from fleet.model.settings import DeviceSettings
from fleet.model.state import Moment, State
from fleet.reconcile.identity import REMEMBERED_BOOTS, identity_of, judge, shared_serials

DESCRIPTION = description_of(mac="02:00:5e:00:04:12")
ACCEPTED = Identity(
    id=DESCRIPTION.id,
    serial=DESCRIPTION.serial,
    mac=DESCRIPTION.mac,
    boot_count=12,
    boot_id="b-12",
    old_boot_ids=("b-11", "b-10"),
)


def state_of(boot="b-12", count=12, revision=31, serial=DESCRIPTION.serial):
    return State(
        id=DESCRIPTION.id,
        serial=serial,
        moment=Moment(boot_id=boot, revision=revision),
        boot_count=count,
        uptime_ms=0.0,
        live=DeviceSettings(),
    )


def test_the_first_report_is_accepted():
    judgement = judge(None, None, DESCRIPTION, state_of())
    assert (judgement.conflicts, judgement.stale) == ((), False)
    assert judgement.identity == replace(ACCEPTED, old_boot_ids=())


def test_the_same_boot_changes_nothing():
    judgement = judge(ACCEPTED, state_of(revision=30), DESCRIPTION, state_of())
    assert (judgement.identity, judgement.conflicts, judgement.stale) == (ACCEPTED, (), False)


@pytest.mark.parametrize(("last", "stale"), [(30, False), (31, False), (32, True), (None, False)])
def test_a_lower_revision_within_a_boot_is_stale(last, stale):
    known = None if last is None else state_of(revision=last)
    assert judge(ACCEPTED, known, DESCRIPTION, state_of()).stale is stale


def test_a_new_boot_starts_its_revisions_anew():
    judgement = judge(ACCEPTED, state_of(revision=400), DESCRIPTION, state_of("b-13", 13, revision=1))
    assert (judgement.conflicts, judgement.stale) == ((), False)
    assert judgement.identity == replace(ACCEPTED, boot_id="b-13", boot_count=13, old_boot_ids=("b-12", "b-11", "b-10"))


def test_a_boot_count_may_skip():
    assert judge(ACCEPTED, None, DESCRIPTION, state_of("b-40", 40)).conflicts == ()


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (state_of("b-13", 12), "it started anew with boot count 12, not above 12"),
        (state_of("b-13", 3), "it started anew with boot count 3, not above 12"),
        (state_of("b-11", 11), "it claims boot b-11, which ended before"),
        (state_of("b-10", 99), "it claims boot b-10, which ended before"),
    ],
)
def test_a_boot_that_cannot_be_conflicts_and_is_not_accepted(state, words):
    judgement = judge(ACCEPTED, None, DESCRIPTION, state)
    assert judgement.conflicts == (words,)
    assert judgement.identity is ACCEPTED


@pytest.mark.parametrize("boot", [("b-12", 12), ("b-13", 13)], ids=["same boot", "new boot"])
@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"serial": "TN-other"}, "its serial was TN-box-0412 and is now TN-other"),
        ({"mac": "02:00:5e:00:00:01"}, "its MAC address was 02:00:5e:00:04:12 and is now 02:00:5e:00:00:01"),
        ({"mac": ""}, "its MAC address was 02:00:5e:00:04:12 and is now not told"),
    ],
)
def test_another_serial_or_mac_conflicts_and_is_not_accepted(boot, other, words):
    description = replace(DESCRIPTION, **other)
    judgement = judge(ACCEPTED, None, description, state_of(*boot, serial=description.serial))
    assert judgement.conflicts == (words,)
    assert judgement.identity is ACCEPTED


@pytest.mark.parametrize("accepted", [None, ACCEPTED], ids=["first", "known"])
def test_a_description_and_a_state_that_disagree_conflict(accepted):
    judgement = judge(accepted, None, DESCRIPTION, state_of(serial="TN-other"))
    assert judgement.conflicts == ("its description says serial TN-box-0412, its state TN-other",)


def test_everything_wrong_is_said_at_once():
    description = replace(DESCRIPTION, serial="TN-other", mac="")
    assert len(judge(ACCEPTED, None, description, state_of("b-11", 11)).conflicts) == 4


@untimed
@given(skips=st.lists(st.integers(1, 5), min_size=1, max_size=30))
def test_any_honest_life_is_accepted_and_a_remembered_boot_never_comes_back(skips):
    identity = identity_of(DESCRIPTION, state_of("b-0", 0))
    count = 0
    for skip in skips:
        count += skip
        judgement = judge(identity, None, DESCRIPTION, state_of(f"b-{count}", count, revision=1))
        assert judgement.conflicts == ()
        identity = judgement.identity
    assert len(identity.old_boot_ids) == min(len(skips), REMEMBERED_BOOTS)
    for old in identity.old_boot_ids:
        assert judge(identity, None, DESCRIPTION, state_of(old, count + 1)).conflicts


def test_a_serial_that_two_devices_claim_is_told_of_both():
    devices = [description_of(d, serial=s) for d, s in (("box-2", "S1"), ("box-1", "S1"), ("box-3", "S3"))]
    words = "serial S1 is claimed by box-1 and box-2"
    assert shared_serials(devices) == {"box-1": words, "box-2": words}
