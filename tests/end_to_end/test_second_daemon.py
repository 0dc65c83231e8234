"""Two daemons as processes on one database: the second is refused in words, with exit code 2, and harms nothing."""

from __future__ import annotations

import subprocess
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from running import PATIENCE_S, REPOSITORY, Commands, daemon, environment, fleet_words

from tests.brokers import LOOPBACK, embedded_broker
from tests.store.conftest import Cluster, cluster

__all__ = ["cluster"]

REFUSAL = "another daemon uses this database: "
REMEDY = "Stop it, or name another database"


@dataclass(frozen=True)
class Refused:
    """How the second daemon ended."""

    code: int
    said: str


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A database that is in neither daemon's home."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'shared.db'}"
    server: Cluster = request.getfixturevalue("cluster")
    name = f"second_{uuid.uuid4().hex}"
    server.sql(f"CREATE DATABASE {name}")
    return server.url(name)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[str]:
    with embedded_broker(tmp_path) as port:
        yield f"mqtt://{LOOPBACK}:{port}"


def second(home: Path, *options: str) -> Refused:
    """Start a daemon that has to end by itself."""
    words = [*fleet_words("daemon"), "--home", str(home), "--interface", LOOPBACK, *options]
    done = subprocess.run(
        words, cwd=REPOSITORY, env=environment(), capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    return Refused(done.returncode, " ".join((done.stdout + done.stderr).split()))


def test_the_second_daemon_on_a_database_is_refused_and_may_start_when_the_first_has_ended(
    url: str, broker: str, tmp_path: Path
) -> None:
    options = ("--database", url, "--broker", broker)
    first, other = Commands(tmp_path / "first"), Commands(tmp_path / "second")
    with daemon(first.home, *options, log=tmp_path / "first.log") as running:
        before = first.json("changes")
        refused = second(other.home, *options)
        assert refused.code == 2, refused.said
        assert REFUSAL in refused.said
        assert f"pid {running.pid}" in refused.said, "who has it is told"
        assert REMEDY in refused.said
        assert "Traceback" not in refused.said
        assert not (other.home / "daemon.json").exists(), "no command finds a daemon there"
        assert running.poll() is None
        assert first.json("changes") == before, "the first one works on"
    with daemon(other.home, *options, log=tmp_path / "second.log"):
        assert other.json("changes")["changes"] == []


def test_a_killed_daemon_leaves_its_database_to_the_next(url: str, broker: str, tmp_path: Path) -> None:
    options = ("--database", url, "--broker", broker)
    first, other = Commands(tmp_path / "first"), Commands(tmp_path / "second")
    with daemon(first.home, *options, log=tmp_path / "first.log") as running:
        running.kill()
        running.wait()
        with daemon(other.home, *options, log=tmp_path / "second.log"):
            assert other.json("changes")["changes"] == []
