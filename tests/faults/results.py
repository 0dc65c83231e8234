"""What became of each fault, as JSON lines in the file that FLEET_FAULT_RESULTS names; nothing where it names none.

One line a fault that was injected: `fault` in words, `state` of the change when it struck (one of `STATES`, as the
journal had it), `outcome` (one of `OUTCOMES`), and `settled_s` where it was measured.
`python -m tests.faults.table` counts them into DEVELOPERS.md.
"""

from __future__ import annotations

import json
import os

VARIABLE = "FLEET_FAULT_RESULTS"
STATES = (
    "planned",
    "staging",
    "committing",
    "verifying",
    "on trial",
    "keeping",
    "rolling back",
    "checking",
    "recovering",
)
OUTCOMES = ("kept", "rolled back", "cancelled", "needs a person", "nothing begun")


def record(fault: str, state: str, outcome: str, settled_s: float | None = None) -> None:
    """Note one fault that struck and how its change ended. Processes may write to the same file."""
    path = os.environ.get(VARIABLE)
    if not path:
        return
    line = json.dumps({"fault": fault, "state": state, "outcome": outcome, "settled_s": settled_s}) + "\n"
    file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    try:
        os.write(file, line.encode())  # appended whole, whoever else writes
    finally:
        os.close(file)
