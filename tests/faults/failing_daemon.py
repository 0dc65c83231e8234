"""A server that forks daemons which kill themselves at a named point: `python -m tests.faults.failing_daemon`.

It imports everything once and forks before there is any loop or thread, so that a daemon takes milliseconds to start.
Orders come as JSON lines on stdin, each is answered by one on stdout:

    {"do": "start", "home": …, "broker": URL, "log": FILE, "points": FILE, "kill_at": [NAME, NUMBER]}  ->  {"pid": …}
    {"do": "wait", "pid": …, "within_s": …}  ->  {"signal": NUMBER} | {"code": NUMBER} | {}, where it still runs
    {"do": "kill", "pid": …}  ->  {}

A point is passed before and after each write of a change to the store (`before-journal`) and each request to a device
(`after-send-commit`). The daemon appends every point that it passes to the file `points`, `NAME NUMBER` a line, counted
by name from its start. At `kill_at` (which may be null) it sends itself SIGKILL. At the end of stdin all daemons are
killed.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from functools import wraps
from pathlib import Path
from typing import Any

# Imported by the web server once it runs; here so that no forked daemon has to.
import uvicorn.lifespan.off
import uvicorn.loops.auto
import uvicorn.protocols.http.auto
import uvicorn.protocols.websockets.auto  # noqa: F401

from fleet.app import wiring
from fleet.drivers.mqtt.link import Link
from fleet.faces.cli.daemon_config import DaemonConfig
from fleet.store.sql import SqlStore

Json = dict[str, Any]

WRITES = ("begin_change", "journal", "save_change")
LOOK_EVERY_S = 0.005


class Points:
    """Counts the points that this process passes, and ends it at the wanted one."""

    def __init__(self, file: Path, kill_at: tuple[str, int] | None) -> None:
        self._file = os.open(file, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        self._kill_at = kill_at
        self._passed: Counter[str] = Counter()

    def passed(self, name: str) -> None:
        """The process is at this point."""
        self._passed[name] += 1
        os.write(self._file, f"{name} {self._passed[name]}\n".encode())
        if (name, self._passed[name]) == self._kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, owner: type, method: str, name_of: Callable[..., str | None]) -> None:
        """Pass `before-NAME` and `after-NAME` around each call of a method, for the name that its arguments give."""
        original: Callable[..., Awaitable[Any]] = getattr(owner, method)

        @wraps(original)
        async def watched(*arguments: Any, **named: Any) -> Any:
            name = name_of(*arguments, **named)
            if name is not None:
                self.passed(f"before-{name}")
            result = await original(*arguments, **named)
            if name is not None:
                self.passed(f"after-{name}")
            return result

        setattr(owner, method, watched)


def main() -> None:
    """Serve until stdin ends."""
    gc.collect()
    gc.freeze()
    running: set[int] = set()
    try:
        for line in sys.stdin:
            sys.stdout.write(json.dumps(_do(json.loads(line), running)) + "\n")
            sys.stdout.flush()
    finally:
        for pid in list(running):
            _kill(pid, running)


def _do(order: Json, running: set[int]) -> Json:
    match order["do"]:
        case "start":
            pid = os.fork()
            if pid == 0:
                _become_a_daemon(order)
            running.add(pid)
            return {"pid": pid}
        case "wait":
            return _wait(order["pid"], order["within_s"], running)
        case "kill":
            _kill(order["pid"], running)
            return {}
        case other:
            return {"error": f"there is no order {other!r}"}


def _wait(pid: int, within_s: float, running: set[int]) -> Json:
    deadline = time.monotonic() + within_s
    while True:
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            running.discard(pid)
            by_signal = os.WIFSIGNALED(status)
            return {"signal": os.WTERMSIG(status)} if by_signal else {"code": os.WEXITSTATUS(status)}
        if time.monotonic() > deadline:
            return {}
        time.sleep(LOOK_EVERY_S)


def _kill(pid: int, running: set[int]) -> None:
    if pid in running:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        running.discard(pid)


def _become_a_daemon(order: Json) -> None:
    try:
        os.setsid()
        _redirect(order["log"])
        kill_at = order["kill_at"]
        points = Points(Path(order["points"]), (kill_at[0], kill_at[1]) if kill_at else None)
        for method in WRITES:
            points.around(SqlStore, method, lambda *_, name=method: name)
        points.around(Link, "publish", lambda _, _topic, payload: f"send-{json.loads(payload)['action']}")
        wiring.run(DaemonConfig(home=Path(order["home"]), broker=order["broker"], interfaces=("127.0.0.1",)))
    except BaseException as error:  # noqa: BLE001  # whatever it is, this process must not go on as the server
        sys.stderr.write(f"the daemon ended: {error!r}\n")
        sys.stderr.flush()
        os._exit(1)
    # The server's buffers and exit routines are not this process's to run.
    os._exit(0)


def _redirect(log: str) -> None:
    """Standard input from nowhere, standard output and errors to the log."""
    nowhere = os.open(os.devnull, os.O_RDONLY)
    file = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    for source, target in ((nowhere, 0), (file, 1), (file, 2)):
        os.dup2(source, target)
    os.close(nowhere)
    os.close(file)


if __name__ == "__main__":
    main()
