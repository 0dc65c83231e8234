"""The lists of a hand-over: one file for each kind of thing, one line for each of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias

from fleet.faces.handover.cells import Cell, table_text
from fleet.model.settings import Band
from fleet.model.venue_time import on_the_clock
from fleet.services.handover.pack import DelayRow, HandOver, RoomSheet, ScheduleRow

Rows: TypeAlias = Iterator[Sequence[Cell]]


def lists(pack: HandOver) -> dict[str, str]:
    """Each list's file name and text. There is a list of the walk only where somebody walked."""
    found = {
        "devices.csv": table_text(DEVICES, _devices(pack)),
        "settings.csv": table_text(SETTINGS, _settings(pack)),
        "bands.csv": table_text(BANDS, _bands(pack)),
        "delays.csv": table_text(DELAYS, (_delay(room, row) for room in pack.rooms for row in room.delays)),
        "lines.csv": table_text(LINES, _lines(pack)),
        "taps.csv": table_text(TAPS, _taps(pack)),
        "slots.csv": table_text(SLOTS, _slots(pack)),
        "differences.csv": table_text(DIFFERENCES, _differences(pack)),
        "deviations.csv": table_text(DEVIATIONS, _deviations(pack)),
        "checks.csv": table_text(CHECKS, _checks(pack)),
        "not-checked.csv": table_text(NOT_CHECKED, _not_checked(pack)),
    }
    if pack.walks:
        found["walk.csv"] = table_text(WALK, _walk(pack))
    return found


DEVICES = (
    *("room", "position", "device", "output", "status", "read", "life_safety", "last_seen"),
    *("model", "serial", "firmware", "mac", "address", "drawing", "cable", "rack", "circuit", "switch_port"),
)


def _devices(pack: HandOver) -> Rows:
    for row in pack.schedule:
        yield (*_whereabouts(pack, row), *_identity(row), *_references(row))


def _whereabouts(pack: HandOver, row: ScheduleRow) -> Sequence[Cell]:
    seen = on_the_clock(row.record.last_seen, pack.time_zone) if row.record else None
    return row.room, row.position, row.device, row.output, row.status.value, row.read, row.life_safety, seen


def _identity(row: ScheduleRow) -> Sequence[Cell]:
    told = row.record.description if row.record else None
    address = row.record.address if row.record else ""
    return (told.model, told.serial, told.firmware, told.mac, address) if told else ("", "", "", "", address)


def _references(row: ScheduleRow) -> Sequence[Cell]:
    r = row.references
    return r.drawing, r.cable, r.rack, r.circuit, r.switch_port


SETTINGS = ("room", "position", "device", "output", "setting", "wanted", "reported")


def _settings(pack: HandOver) -> Rows:
    for room in pack.rooms:
        for p in room.positions:
            for line in p.settings:
                wanted, reported = (_bare(words, line.setting) for words in (line.wanted, line.reported))
                yield room.name, p.position, p.device, p.output, line.setting, wanted, reported


def _bare(words: str, setting: str) -> str:
    """A number without the unit that the setting's name carries."""
    return words.removesuffix(" dB" if setting.endswith("_db") else " ms" if setting.endswith("_ms") else "\0")


BANDS = ("room", "position", "which", "band", "shape", "frequency_hz", "gain_db", "q")


def _bands(pack: HandOver) -> Rows:
    for room in pack.rooms:
        for sheet in room.bands:
            both: tuple[tuple[str, tuple[Band, ...] | None], ...] = (
                ("desired", sheet.desired),
                ("reported", sheet.reported),
            )
            for which, bands in both:
                for number, band in enumerate(bands or (), start=1):
                    gain = None if band.shape in ("notch", "all_pass") else band.gain_db
                    yield room.name, sheet.position, which, number, band.shape, band.frequency_hz, gain, band.q


DELAYS = (
    *("room", "position", "how", "wanted_ms", "reported_ms", "aligned_to", "reference_path_m", "path_m"),
    *("temperature_c", "speed_of_sound_m_s", "travel_ms", "offset_ms", "reference_delay_ms", "reference_latency_ms"),
    *("latency_ms", "computed_ms", "words"),
)


def _delay(room: RoomSheet, row: DelayRow) -> Sequence[Cell]:
    w = row.working
    working: Sequence[Cell] = (
        (
            *(w.to, w.reference_path_m, w.path_m, w.temperature_c, w.speed_of_sound_m_s, w.travel_ms, w.offset_ms),
            *(w.reference_delay_ms, w.reference_latency_ms, w.latency_ms, w.delay_ms),
        )
        if w
        else (None,) * 11
    )
    wanted, reported = (words.removesuffix(" ms") for words in (row.wanted, row.reported))
    return room.name, row.position, row.how, wanted, reported, *working, row.words


LINES = (
    *("room", "position", "device", "output", "volts", "wiring", "load_w", "load_ohm", "amplifier_w"),
    *(
        "amplifier_total_w",
        "load_percent",
        "cable_m",
        "cable_mm2",
        "loss_db",
        "loudspeakers",
        "taps_set",
        "taps_checked",
    ),
)


def _lines(pack: HandOver) -> Rows:
    for room in pack.rooms:
        for p in room.positions:
            if p.line is None or p.figures is None:
                continue
            line, f = p.line, p.figures
            percent = None if f.share is None else 100 * f.share
            yield (
                *(room.name, p.position, p.device, p.output, line.volts, line.wiring, f.load_w, f.load_ohm),
                *(line.amplifier_w, line.amplifier_total_w, percent, line.cable_m, line.cable_mm2, f.loss_db),
                *(f.count, *((f.set, f.checked) if line.volts is not None else (None, None))),
            )


TAPS = (
    *("room", "position", "device", "output", "volts", "which", "type", "count", "tap_w", "tap_volts", "ohm"),
    *("set_by", "set_on", "checked_by", "checked_on"),
)


def _taps(pack: HandOver) -> Rows:
    for room in pack.rooms:
        for p in room.positions:
            for each in p.line.loudspeakers if p.line else ():
                kind = each.type.name if each.type else ""
                signed = [(s.by, s.on.isoformat()) if s else ("", "") for s in (each.set, each.checked)]
                yield (
                    *(room.name, p.position, p.device, p.output, p.line.volts if p.line else None, each.name, kind),
                    *(each.count, each.tap_w, each.tap_volts, each.ohm, *signed[0], *signed[1]),
                )


SLOTS = ("device", "positions", "slot", "name", "active_slot", "contents", "words")


def _slots(pack: HandOver) -> Rows:
    for s in pack.slots:
        yield s.device, " ".join(s.positions), s.slot, s.name, s.active, s.proof, s.words


DIFFERENCES = (
    "room",
    "position",
    "device",
    "output",
    "subject",
    "slot",
    "setting",
    "grade",
    "wanted",
    "found",
    "words",
    "agreed_until",
)


def _differences(pack: HandOver) -> Rows:
    for d in pack.comparison.differences:
        yield (
            *(d.room, d.position, d.device, d.output, d.subject, d.slot, d.setting, d.grade.word),
            *(d.wanted, d.found, d.words, d.agreed.until.isoformat() if d.agreed else ""),
        )


DEVIATIONS = (
    *("room", "position", "device", "output", "subject", "slot", "setting", "grade", "wanted", "agreed", "words"),
    *("owner", "reason", "agreed_on", "entered_by", "until", "differs_now"),
)


def _deviations(pack: HandOver) -> Rows:
    """All that stand, also where a setting is as desired by now: they still allow it to be so again."""
    differing = {(d.room, d.position, d.subject, d.setting, d.slot) for d in pack.comparison.agreed()}
    for d in pack.deviations:
        yield (
            *(d.room, d.position, d.device, d.output, d.subject, d.slot, d.setting, d.grade.word, d.wanted, d.found),
            *(d.words, d.owner, d.reason, on_the_clock(d.at, pack.time_zone), d.who),
            *(d.until.isoformat(), d.key in differing),
        )


CHECKS = ("severity", "check", "file", "line", "column", "text", "silenced_because")


def _checks(pack: HandOver) -> Rows:
    found = [(f, "") for f in pack.checked.findings] + [(s.finding, s.reason) for s in pack.checked.silenced]
    for f, reason in found:
        c = f.complaint
        yield f.severity, f.name, c.file, c.line, c.column, c.text, reason


NOT_CHECKED = ("room", "position", "device", "reason", "words")


def _not_checked(pack: HandOver) -> Rows:
    for n in pack.comparison.not_checked:
        yield n.room, n.position, n.device, n.reason, n.words


WALK = (
    *("room", "position", "device", "output", "serial", "at", "by", "place", "source", "sound", "polarity"),
    *("impedance_ohm", "expected_ohm", "level_db", "instrument", "instrument_serial", "notes"),
)


def _walk(pack: HandOver) -> Rows:
    for walk in pack.walks:
        for one in walk.heard:
            s, a = one.step, one.answers
            yield (
                *(walk.room, s.position, s.device, s.output, s.serial, on_the_clock(one.at, pack.time_zone), one.who),
                *(a.place, a.source, a.sound, a.polarity, a.impedance_ohm, s.expected_ohm, a.level_db),
                *(a.instrument, a.instrument_serial, a.notes),
            )
