"""Commands start without importing what only the daemon needs."""

from __future__ import annotations

import subprocess
import sys

SLOW = ("numpy", "scipy", "matplotlib", "sqlalchemy", "iotcore", "aiomqtt", "fastapi", "zeroconf")


def test_the_command_line_brings_nothing_slow() -> None:
    program = f"import sys, fleet.faces.cli.main; print(*sorted(set({SLOW!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
