"""Values of every kind that the store keeps, with every member filled in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from fleet.model import edge
from fleet.model.change import ChangeRecord, ChangeState, JournalEntry
from fleet.model.description import (
    CrossoverAbility,
    Description,
    EqAbility,
    OutputDescription,
    PowerUp,
    Range,
    SlotAbility,
)
from fleet.model.difference import Difference, Grade, NotChecked
from fleet.model.inventory import DeviceRecord, Identity
from fleet.model.plan import DevicePlan, GuardHit, LeftOut, Phase, Plan, Target, Work
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings, SlotContents
from fleet.model.snapshot import Snapshot, SnapshotBody
from fleet.model.state import Moment, OpenChange, Reported, State

NOON = datetime(2031, 5, 17, 12, 0, 0, 123456, tzinfo=UTC)
SUMMER = timezone(timedelta(hours=2))
"""A zone other than UTC, to see that times are brought to UTC."""

BAND = Band(shape="bell", frequency_hz=2500.0, gain_db=-2.1, q=1.4)
SETTINGS = DeviceSettings(
    input="stage box",
    panel_locked=True,
    power_up_slot=5,
    outputs={
        1: OutputSettings(
            level_db=-6.5,
            mute=False,
            polarity="inverted",
            delay_ms=12.25,
            eq=(BAND,),
            high_pass=Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90.0),
            low_pass="none",
        ),
        2: OutputSettings(eq=()),
    },
)
CONTENTS = SlotContents(slot=5, name="warm – Haus", input="stage box", outputs={1: OutputSettings(level_db=-3.0)})
ABILITY = CrossoverAbility(slopes={"linkwitz_riley": (24, 48)}, frequency_hz=Range(min=20.0, max=500.0))
DESCRIPTION = Description(
    id="box-0412",
    serial="0412",
    model="example-full",
    firmware="1.2.0",
    mac="02:00:00:00:04:12",
    sample_rate_hz=48000.0,
    latency_ms=1.5,
    outputs=(
        OutputDescription(
            output=1,
            name="full",
            passband_hz=(60.0, 18000.0),
            level_db=Range(min=-80.0, max=10.0, step=0.5),
            delay_ms=Range(min=0.0, max=500.0, step=0.02),
            polarity=True,
            eq=EqAbility(
                bands=10,
                shapes=("bell", "notch"),
                frequency_hz=Range(min=20.0, max=20000.0),
                gain_db=Range(min=-15.0, max=15.0, step=0.1),
                q=Range(min=0.1, max=20.0),
            ),
            high_pass=ABILITY,
        ),
    ),
    inputs=("stage box", "analogue"),
    panel_lock=True,
    power_up=PowerUp(behaviour="default_slot", slot=5, slot_settable=True),
    slots=SlotAbility(count=8, factory=(1, 2), stores=("level_db", "eq")),
    features=("stage", "revert_timer"),
)
STATE = State(
    id="box-0412",
    serial="0412",
    moment=Moment(boot_id="b7", revision=41),
    boot_count=7,
    uptime_ms=1234.5,
    epoch=3,
    active_slot=5,
    live=SETTINGS,
    mute_causes={1: ("panel", "alarm")},
    temperature_c=41.5,
    faults=("fan",),
    slots_sha256="ab" * 32,
    change=OpenChange(id="ch-1", phase=3, reverts_in_ms=900.0),
    cause="panel",
)


def a_device(device: str = "box-0412") -> DeviceRecord:
    """A device of the inventory."""
    return DeviceRecord(
        id=device,
        first_seen=NOON,
        last_seen=(NOON + timedelta(minutes=3)).astimezone(SUMMER),
        online=True,
        route="mqtt",
        address="192.0.2.12",
        identity=Identity(id=device, serial="0412", mac="02:00:00:00:04:12", boot_count=7, boot_id="b7"),
        description=DESCRIPTION,
        conflicts=("two boxes claim this id",),
        trouble="sent a level of 900 dB",
    )


def a_plan() -> Plan:
    """A plan with work in several phases, out of numerical order."""
    work = {
        Phase.SET: Work(settings=SETTINGS),
        Phase.MUTE: Work(recall=5),
        Phase.STORE: Work(slot_contents=(CONTENTS,)),
    }
    device = DevicePlan(
        device="box-0412",
        positions=(("weir-hall", "main-left"),),
        expect=STATE.moment,
        work=work,
        before=Target(active_slot=5, live=SETTINGS, stored=(CONTENTS,)),
        after=Target(live=DeviceSettings(outputs={1: OutputSettings(level_db=0.1 + 0.2)})),
        quiet=Target(live=SETTINGS),
        undo={Phase.RAMP_8: Work(settings=SETTINGS)},
        stages=False,
    )
    difference = Difference(
        room="weir-hall",
        position="main-left",
        device="box-0412",
        output=1,
        subject="stored",
        setting="level_db",
        grade=Grade.AUDIBLE,
        words="1.5 dB louder than wanted",
        wanted="-6.0",
        found="-4.5",
        amount=1.5,
        unit="dB",
        slot=5,
    )
    return Plan(
        kind="apply",
        rooms=("weir-hall",),
        scope="room weir-hall",
        devices=(device,),
        guards=(
            GuardHit(
                guard="rise", words="more than 6 dB louder", may_allow=True, room="weir-hall", position="main-left"
            ),
        ),
        left_out=(LeftOut(room="weir-hall", position="bar-line", device="amp-0031", words="no answer"),),
        differences=(difference,),
        notes=("firmware apart",),
        louder=("main-left by 2 dB",),
        desired_sha256="cd" * 32,
        undoes="ch-0",
        digest="ef" * 32,
    )


def a_change(change: str, state: ChangeState = ChangeState.PLANNED) -> ChangeRecord:
    """A change that has just begun, to be kept within two minutes."""
    return ChangeRecord(
        id=change, plan=a_plan(), who="ines", why="after the swap", started=NOON, keep_within_s=120, state=state
    )


def an_entry(change: str, number: int) -> JournalEntry:
    """A journal entry."""
    return JournalEntry(change=change, number=number, at=NOON, what="staged", device="box-0412", detail="phase set")


def a_snapshot(snapshot: str) -> Snapshot:
    """A sealed snapshot of one device that answered and one that did not."""
    body = SnapshotBody(
        venue="Weir Hall",
        at=NOON,
        taken_by="ines",
        note="before the fair",
        desired_sha256="cd" * 32,
        devices=(Reported(description=DESCRIPTION, state=STATE, slots={5: CONTENTS}),),
        not_read=(
            NotChecked(room="weir-hall", position="bar-line", device="amp-0031", reason="missing", words="no answer"),
        ),
    )
    return Snapshot(id=snapshot, body=body, sha256=edge.digest(edge.plain(body)))
