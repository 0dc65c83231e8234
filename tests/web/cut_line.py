"""A line between a browser and the daemon that a test can cut, and mend."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit


class Line:
    """Passes bytes on. While it is cut, whoever calls is turned away, and what was open is closed."""

    def __init__(self, url: str) -> None:
        there = urlsplit(url)
        self._there = (str(there.hostname), int(there.port or 0))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._cut = False
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._accept, name="a line", daemon=True).start()

    def cut(self) -> None:
        with self._lock:
            self._cut = True
            for one in self._open:
                _shut(one)
            self._open.clear()

    def mend(self) -> None:
        with self._lock:
            self._cut = False

    def close(self) -> None:
        self.cut()
        _shut(self._listener)
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            with self._lock:
                if self._cut:
                    _shut(near)
                    near.close()
                    continue
                far = socket.create_connection(self._there)
                self._open |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=_pass_on, args=(one, other), daemon=True).start()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := one.recv(65_536):
            other.sendall(data)
    _shut(other)


def _shut(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)


@contextmanager
def a_line(url: str) -> Iterator[Line]:
    """A line to this address, for the length of a block."""
    line = Line(url)
    try:
        yield line
    finally:
        line.close()
