"""A daemon as a process with its own broker: settings, log, metrics and self-check as whoever runs it meets them."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

FLEET = [sys.executable, "-m", "fleet.app"]
SECRET = "s3cret"


@dataclass(frozen=True)
class Running:
    """A daemon's home, and its log on stderr."""

    home: Path
    log: Path

    def fleet(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*FLEET, *words, "--home", self.home], capture_output=True, text=True, check=False)

    @property
    def url(self) -> str:
        return str(json.loads((self.home / "daemon.json").read_text(encoding="utf-8"))["url"])


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("real")
    started = Running(folder / "home", folder / "log")
    started.home.mkdir(mode=0o700)
    (started.home / "config.toml").write_text('interfaces = ["127.0.0.1"]\nport = 1\n', encoding="utf-8")
    (started.home / "config.toml").chmod(0o600)
    (folder / "list").write_text("", encoding="utf-8")
    words = [*FLEET, "daemon", "--home", started.home, "--log-format", "json", "--addresses", folder / "list"]
    with started.log.open("w", encoding="utf-8") as log:
        process = subprocess.Popen(words, stderr=log, env={**os.environ, "FLEET_PORT": "0"})
    try:
        deadline = time.monotonic() + 60
        while "the daemon serves" not in started.log.read_text(
            encoding="utf-8"
        ):  # said last, after its address is left
            assert process.poll() is None, started.log.read_text(encoding="utf-8")
            assert time.monotonic() < deadline
            time.sleep(0.05)
        yield started
    finally:
        process.terminate()
        assert process.wait(60) == 0


def test_its_log_on_stderr_is_an_object_a_line(running: Running) -> None:
    lines = [json.loads(line) for line in running.log.read_text(encoding="utf-8").splitlines()]
    assert any("the daemon serves http://127.0.0.1:" in line["message"] for line in lines)
    assert {"time", "level", "logger", "message"} <= lines[0].keys()


def test_its_log_can_be_read_back(running: Running) -> None:
    said = running.fleet("log")
    assert said.returncode == 0, said.stderr
    assert "info     the daemon serves http://127.0.0.1:" in said.stdout
    assert stat.S_IMODE((running.home / "log.jsonl").stat().st_mode) == 0o600


def test_its_settings_are_told_with_where_they_came_from(running: Running) -> None:
    document = json.loads(running.fleet("config", "--json").stdout)
    told = {row["name"]: (row["value"], row["source"]) for row in document["settings"]}
    assert told["log_format"] == ("json", "option")
    assert told["port"] == ("0", "environment FLEET_PORT")
    assert told["interfaces"] == ("127.0.0.1", f"file {running.home / 'config.toml'}:1")
    assert told["root"] == ("loudspeakers/v1", "default")


def test_its_metrics_move(running: Running) -> None:
    token = (running.home / "token").read_text(encoding="utf-8")
    assert httpx.get(f"{running.url}/metrics").status_code == 401

    def values() -> dict[str, float]:
        answer = httpx.get(f"{running.url}/metrics", headers={"Authorization": f"Bearer {token}"})
        families = text_string_to_metric_families(answer.raise_for_status().text)
        return {sample.name: sample.value for family in families for sample in family.samples}

    deadline = time.monotonic() + 60
    while not (found := values())["fleet_census_age_seconds"] >= 0:  # NaN until the first census
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert found["fleet_link_up"] == 1
    assert found["process_resident_memory_bytes"] > 1e6
    assert found["fleet_broker_reconnects_total"] == 0


def test_self_check_finds_it_well(running: Running) -> None:
    said = running.fleet("self-check", "--json")
    states = {row["check"]: row["state"] for row in json.loads(said.stdout)["checks"]}
    kept = states.pop("clock synchronised")
    zone = states.pop("time zone")
    assert states.pop("devices") == "warning", "this daemon has no device to find"
    assert "space of home" in states
    assert {"python", "packages", "home", "files", "database", "broker", "broker access", "daemon"} <= states.keys()
    states.pop("clock against database")
    assert set(states.values()) == {"ok"}, said.stdout
    assert said.returncode == 1, (kept, zone)
