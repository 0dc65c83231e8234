"""Starts device processes by forking from a clean one, which was itself forked before any event loop or thread."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import socket
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from .population import Simulated
from .worker import serve


class Forker:
    """A child process that forks one worker for each number sent to it, and ends them all when its line is closed."""

    def __init__(self, control: Path, crews: Sequence[Sequence[Simulated]]) -> None:
        ours, theirs = socket.socketpair()
        self._line = ours
        self._pid = os.fork()
        if self._pid == 0:
            ours.close()
            _fork_on_order(theirs, control, crews)
        theirs.close()

    def start(self, crew: int) -> None:
        """Fork the worker of this crew."""
        self._line.sendall(f"{crew}\n".encode())

    def stop(self) -> None:
        """End every worker as a power loss does, and wait until all are gone."""
        self._line.close()
        os.waitpid(self._pid, 0)


def _fork_on_order(line: socket.socket, control: Path, crews: Sequence[Sequence[Simulated]]) -> None:
    # Ctrl-C reaches the whole process group; ending is the supervisor's to decide.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.freeze()
    workers: set[int] = set()
    with line.makefile("r", encoding="ascii") as orders:
        for order in orders:
            workers -= _reaped(workers)
            pid = os.fork()
            if pid == 0:
                line.close()
                _work(control, int(order), crews[int(order)])
            workers.add(pid)
    for pid in workers - _reaped(workers):
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
    os._exit(0)


def _work(control: Path, number: int, crew: Sequence[Simulated]) -> None:
    try:
        with suppress(ConnectionError):
            asyncio.run(serve(control, number, crew))
    finally:
        # The parent's buffers and exit routines are not this process's to run.
        os._exit(0)


def _reaped(workers: set[int]) -> set[int]:
    return {pid for pid in workers if os.waitpid(pid, os.WNOHANG)[0] == pid}
