"""The brokers that tests run over: the embedded one as a bare program, and Mosquitto where it is installed."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from iotcore import Broker

LOOPBACK = "127.0.0.1"

_EMBEDDED = """
id = 0
[router]
id = 0
max_connections = 2000
max_outgoing_packet_count = 20000
max_segment_size = 104857600
max_segment_count = 10
[v4.1]
name = "v4-1"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""

_MOSQUITTO = """\
listener {port} 127.0.0.1
allow_anonymous true
set_tcp_nodelay true
max_queued_messages 0
message_size_limit 262144
persistence false
"""


def free_port() -> int:
    """A port that nothing listens on at the moment."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


@contextmanager
def embedded_broker(folder: Path) -> Iterator[int]:
    """The embedded broker without fleet around it, for the length of the block; its port."""
    port = free_port()
    with Broker(config_path=str(embedded_settings(folder, port))):
        yield port


@contextmanager
def mosquitto(folder: Path, port: int = 0, more: str = "") -> Iterator[int]:
    """Mosquitto for the length of the block; its port, a free one for 0. Skips or fails where it is not installed.

    `more` are further lines of its settings.
    """
    port = port or free_port()
    words = mosquitto_words(folder, port, more)
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        while not answers(port):
            assert process.poll() is None, "mosquitto ended at its start"
            time.sleep(0.01)
        yield port
    finally:
        process.terminate()
        process.wait()


def embedded_settings(folder: Path, port: int) -> Path:
    """The embedded broker's settings, written to a folder."""
    settings = folder / "broker.toml"
    settings.write_text(_EMBEDDED.format(port=port), encoding="utf-8")
    return settings


def mosquitto_words(folder: Path, port: int, more: str = "") -> list[str]:
    """The command that runs Mosquitto, remembering nothing. Skips or fails where it is not installed."""
    settings = folder / "mosquitto.conf"
    user = "user root\n" if os.getuid() == 0 else ""  # who would else read no file of the tests
    settings.write_text(_MOSQUITTO.format(port=port) + user + more, encoding="utf-8")
    return [_mosquitto_or_skip(), "-c", str(settings)]


def _mosquitto_or_skip() -> str:
    """The program; Debian keeps it where only root's PATH looks."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        if os.environ.get("FLEET_TEST_ALL") == "1":
            pytest.fail("FLEET_TEST_ALL=1, but mosquitto is not installed")
        pytest.skip("mosquitto is not installed")
    return program


def answers(port: int) -> bool:
    """Whether something listens on a port of this machine."""
    with socket.socket() as probe:
        return probe.connect_ex((LOOPBACK, port)) == 0
