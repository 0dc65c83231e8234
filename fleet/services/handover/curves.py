"""EQ and crossovers as responses, desired and reported, outputs that are alike in both brought together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fleet.acoustics.biquads import Floats
from fleet.errors import BadInput
from fleet.model.description import Description
from fleet.model.settings import OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position, Room
from fleet.reconcile.chains import grid_hz
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.response import output_response_db
from fleet.services.handover.pack import BandSheet, Curve

FILTERS = ("eq", "high_pass", "low_pass")


def curves_of(
    room: Room, outlook: Outlook, descriptions: Mapping[str, Description]
) -> tuple[tuple[Curve, ...], tuple[tuple[str, str], ...]]:
    """The curves of a room, and each position without one with the reason.

    Of a filter that is not managed the reported one counts as desired, so that only what is managed sets the two apart.
    """
    alike: dict[object, list[Position]] = {}
    computed: dict[object, Curve] = {}
    without: list[tuple[str, str]] = []
    for _, p in sorted(room.positions.items()):
        description = descriptions.get(p.device)
        output = description.output(p.output) if description else None
        if p.life_safety or description is None or output is None:
            why = "life safety" if p.life_safety else "the device has not told what it is" if not description else ""
            without.append((p.name, why or f"the device has no output {p.output}"))
            continue
        found = _reported(p, outlook.reported.get(p.device))
        wanted = _desired(p, outlook, found)
        if wanted is None and found is None:
            without.append((p.name, "nothing of it is managed, and the device was not read"))
            continue
        key = (description.sample_rate_hz, output.passband_hz, wanted, found)
        try:
            if key not in computed:
                computed[key] = _curve(description, p.output, wanted, found)
        except BadInput as error:
            without.append((p.name, str(error)))
            continue
        alike.setdefault(key, []).append(p)
    curves = [replace(computed[key], positions=tuple(p.name for p in own)) for key, own in alike.items()]
    return tuple(curves), tuple(without)


def bands_of(room: Room, outlook: Outlook) -> tuple[BandSheet, ...]:
    """The equaliser bands of each position, those of life safety left out."""
    sheets = []
    for _, p in sorted(room.positions.items()):
        want, reported = outlook.wants.get(p.device), outlook.reported.get(p.device)
        output = want.outputs.get(p.output) if want else None
        desired = output.settings.eq if output else p.fixed.eq
        found = reported.state.output(p.output).eq if reported else None
        if not p.life_safety:
            sheets.append(BandSheet(position=p.name, desired=desired, reported=found))
    return tuple(sheets)


def _reported(position: Position, reported: Reported | None) -> OutputSettings | None:
    return reported.state.output(position.output).only(FILTERS) if reported else None


def _desired(position: Position, outlook: Outlook, found: OutputSettings | None) -> OutputSettings | None:
    """The desired filters over the reported ones; `None` where none is managed."""
    want = outlook.wants.get(position.device)
    output = want.outputs.get(position.output) if want else None
    settings = (output.settings if output else position.fixed).only(FILTERS)
    if not settings.given():
        return None
    return settings.over(found) if found else settings


def _curve(description: Description, output: int, wanted: OutputSettings | None, found: OutputSettings | None) -> Curve:
    able = description.output(output)
    assert able is not None
    return Curve(
        positions=(),
        passband_hz=able.passband_hz,
        frequencies_hz=_numbers(grid_hz(description.sample_rate_hz)),
        desired_db=_numbers(output_response_db(description, output, wanted)) if wanted else None,
        reported_db=_numbers(output_response_db(description, output, found)) if found else None,
    )


def _numbers(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
