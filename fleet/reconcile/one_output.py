"""The rules for one output: which of its settings are not as wanted, live or in a slot."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, cast

from fleet.model.description import Description
from fleet.model.settings import OutputSettings
from fleet.model.state import OURS_OR_PANEL, Reported
from fleet.reconcile import judge
from fleet.reconcile.distance import Chain, ChainPair, ChainSetting
from fleet.reconcile.exact import same_setting
from fleet.reconcile.judge import Finding
from fleet.reconcile.wanted import WantedOutput

WHOLE_RANGE_HZ: Final = (20.0, 20_000.0)
"""Compared where a device no longer describes the output."""


def live(output: WantedOutput, reported: Reported) -> Iterator[Finding | ChainPair]:
    """What differs in an output's live settings; filter chains that may differ are handed on to be computed."""
    found = reported.state.output(output.position.output)
    yield from _mute(output, found, reported)
    yield from _out_of_range(output, found)
    yield from _settings(output, output.settings, found, reported.description)


def stored(
    output: WantedOutput, wanted: OutputSettings, held: OutputSettings, description: Description
) -> Iterator[Finding | ChainPair]:
    """What differs in what a slot holds for an output."""
    return _settings(output, wanted, held, description)


def _mute(output: WantedOutput, found: OutputSettings, reported: Reported) -> Iterator[Finding]:
    """A mute by an external contact or an alarm alone is not ours to judge: that is a note."""
    wanted = output.settings.mute
    if wanted is None or wanted == found.mute:
        return
    if found.mute is None:
        yield judge.not_told("mute", wanted)
        return
    causes = reported.state.mute_causes.get(output.position.output, ())
    ours = [cause for cause in causes if cause in OURS_OR_PANEL]
    if wanted or ours or not causes:
        yield judge.muted(ours, wanted=wanted)


def _out_of_range(output: WantedOutput, found: OutputSettings) -> Iterator[Finding]:
    for name, between in output.between.items():
        value = getattr(found, name)
        if value is None:
            yield judge.not_told(name, between.low)
        elif finding := judge.out_of_range(output.position, name, between, value):
            yield finding


def _settings(
    output: WantedOutput, wanted: OutputSettings, found: OutputSettings, description: Description
) -> Iterator[Finding | ChainPair]:
    for name in wanted.given():
        value, other = getattr(wanted, name), getattr(found, name)
        if value == other or name == "mute" or name in output.between:
            continue
        if other is None:
            yield judge.not_told(name, value)
        elif name == "polarity":
            yield judge.polarity(value, other)
        elif name in {"level_db", "delay_ms"}:
            if not same_setting(description, output.position.output, name, value, other):
                yield (judge.level if name == "level_db" else judge.delay)(output.position, value, other)
        elif name == "eq":
            yield _chain(output, "eq", value, other, description)
        elif finding := judge.other_filter(name, value, other):
            yield finding
        else:
            yield _chain(output, cast("ChainSetting", name), value, other, description)


def _chain(
    output: WantedOutput, setting: ChainSetting, wanted: Chain, found: Chain, description: Description
) -> ChainPair:
    able = description.output(output.position.output)
    return ChainPair(
        setting=setting,
        sample_rate_hz=description.sample_rate_hz,
        passband_hz=able.passband_hz if able else WHOLE_RANGE_HZ,
        wanted=wanted,
        found=found,
        coherent=bool(output.position.coherent),
    )
