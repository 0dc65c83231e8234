"""The README's tour: run its commands for real, and compare or rewrite their output.

`python tests/readme/tour.py` rewrites the README's console blocks from a fresh run; `test_tour.py` compares them.
Ids, hashes and times differ from run to run and are compared by their order of appearance.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fleet.faces.cli.demo_parts import DemoParts, demo_parts

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
STATE = "/tmp/fleet-tour"  # the folder that the README names; a run uses one of its own
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ID = re.compile(r"\b([cs])-[0-9a-f]{8}\b")
VARYING = (
    (re.compile(r"\b[0-9a-f]{64}\b"), "<sha256>"),
    (re.compile(r"\bplan [0-9a-f]{12}\b"), "plan <digest>"),
    (re.compile(r"\b\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?"), "<time>"),
    (re.compile(r"last seen <time> [A-Z]+"), "last seen <time>"),
    (re.compile(r"(?<= last seen )\d\d:\d\d"), "<time>"),
    (re.compile(r"(?<= since )\d\d:\d\d"), "<time>"),
)


@dataclass(frozen=True, slots=True)
class Step:
    """One command of the tour and what it printed."""

    command: str
    output: str


def told() -> list[list[Step]]:
    """The tour as the README has it, block by block."""
    return [list(_steps(match.group(1))) for match in BLOCK.finditer(README.read_text(encoding="utf-8"))]


def run(blocks: list[list[Step]]) -> list[list[Step]]:
    """The same commands run against a fresh daemon and fresh simulated devices."""
    ids: dict[str, str] = {}
    with tempfile.TemporaryDirectory(prefix="fleet-tour-") as folder, demo_parts(Path(folder)) as parts:
        _settle(parts)
        return [[_run(step, parts, ids) for step in block] for block in blocks]


def normal(steps: list[list[Step]]) -> list[list[Step]]:
    """With ids numbered by first appearance and everything that varies taken out."""
    seen: dict[str, str] = {}

    def number(match: re.Match[str]) -> str:
        return seen.setdefault(match.group(0), f"{match.group(1)}-#{len(seen) + 1}")

    def clean(text: str) -> str:
        for pattern, word in VARYING:
            text = pattern.sub(word, text)
        return ID.sub(number, text)

    return [[Step(clean(step.command), clean(step.output)) for step in block] for block in steps]


def rewrite() -> None:
    """Put the output of a fresh run into the README."""
    fresh = iter(run(told()))

    def block(_match: re.Match[str]) -> str:
        text = "\n".join(f"$ {step.command}\n{step.output}" for step in next(fresh))
        return f"```console\n{text.rstrip()}\n```"

    README.write_text(BLOCK.sub(block, README.read_text(encoding="utf-8")), encoding="utf-8")


def _steps(block: str) -> Iterator[Step]:
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        command, _, output = part.partition("\n")
        yield Step(command, output.rstrip() + "\n" if output.strip() else "")


def _run(step: Step, parts: DemoParts, ids: dict[str, str]) -> Step:
    """Run one command; ids of the README stand for the ids of this run, in their order of appearance."""
    command = ID.sub(lambda m: ids.get(m.group(0), m.group(0)), step.command)
    environment = {
        **os.environ,
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "FLEET_HOME": str(parts.home),
        "COLUMNS": "80",
        "USER": "ana",
        "LOGNAME": "ana",
    }
    done = subprocess.run(
        ["bash", "-c", command.replace(STATE, str(parts.state))],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    if "power-cut" in command:
        _settle(parts)
    output = done.stdout + done.stderr
    for old, new in zip(ID.finditer(step.output), ID.finditer(output), strict=False):
        ids.setdefault(old.group(0), new.group(0))
    return Step(command, output)


def _settle(parts: DemoParts) -> None:
    """Wait until every simulated device is found, with the state of its present boot."""
    import time

    deadline = time.monotonic() + 30
    time.sleep(1.0)
    while parts.daemon.get("/devices")["counts"]["found"] < parts.simulated and time.monotonic() < deadline:
        time.sleep(0.1)


if __name__ == "__main__":
    rewrite()
