"""A web server for webhooks that answers as it should, or fails in any way that there is; on loopback, in threads."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

Answer = Callable[[socket.socket], None]


@dataclass(frozen=True)
class Got:
    """A request that came: its headers in lower case, and its body."""

    line: str
    headers: dict[str, str]
    body: bytes

    @property
    def document(self) -> Any:
        return json.loads(self.body)


@dataclass
class WebhookServer:
    """What came so far, and how the next one is answered."""

    port: int
    answer: Answer
    got: list[Got] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/hooks/s3cret-path?token=s3cret-query"


def status(code: int, *headers: str, body: bytes = b"") -> Answer:
    """An answer with a status."""

    def answer(client: socket.socket) -> None:
        lines = [f"HTTP/1.1 {code} Whatever", f"Content-Length: {len(body)}", "Connection: close", *headers, "", ""]
        client.sendall("\r\n".join(lines).encode() + body)

    return answer


OK = status(204)


@contextmanager
def webhook_server(answer: Answer = OK) -> Iterator[WebhookServer]:
    """A server until the end of the block."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.1)
        server = WebhookServer(listener.getsockname()[1], answer)
        threads = [threading.Thread(target=_serve, args=(listener, server), name="webhook server")]
        threads[0].start()
        try:
            yield server
        finally:
            server.stop.set()
            threads[0].join()


def _serve(listener: socket.socket, server: WebhookServer) -> None:
    threads: list[threading.Thread] = []
    while not server.stop.is_set():
        with suppress(TimeoutError):
            client, _ = listener.accept()
            threads.append(threading.Thread(target=_talk, args=(client, server)))
            threads[-1].start()
    for thread in threads:
        thread.join()


def _talk(client: socket.socket, server: WebhookServer) -> None:
    with client, suppress(OSError):
        client.settimeout(10)
        head, body = b"", b""
        while b"\r\n\r\n" not in head:
            if not (part := client.recv(65_536)):
                return
            head += part
        head, body = head.split(b"\r\n\r\n", 1)
        first, *lines = head.decode().split("\r\n")
        headers = {name.lower(): value for name, value in (line.split(": ", 1) for line in lines)}
        while len(body) < int(headers["content-length"]):
            body += client.recv(65_536)
        server.got.append(Got(first, headers, body))
        server.answer(client)
