"""One press at a panel is one notice for each who is told of it: a real daemon, simulated devices, real receivers."""

from __future__ import annotations

import hashlib
import hmac
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from running import Commands, daemon, eventually, process, simulators

from tests.brokers import LOOPBACK, embedded_broker
from tests.faces.webhook_server import OK, WebhookServer, status, webhook_server

Json = dict[str, Any]
KEY = b"a key of thirty-two characters.."

HALL = """\
format: 1
room: hall
defaults: {level_db: -12, mute: false}
positions:
  left:  {device: box-1}
  right: {device: box-2}
"""
TELL = """\
#!{python}
import os, sys
with open({out!r}, "a") as file:
    file.write(sys.stdin.read() + "\\n")
    file.write(os.environ["FLEET_NOTICE_ID"] + "\\n")
"""
CONFIG = """\
[[notices]]
name = "caretaker"
webhook = "{url}"
kinds = ["drift"]
secret_file = "hook.key"

[[notices]]
command = ["./tell"]
kinds = ["drift"]
"""


@pytest.fixture
def server() -> Iterator[WebhookServer]:
    with webhook_server() as started:
        yield started


def venue(folder: Path) -> Path:
    made = folder / "venue"
    (made / "rooms").mkdir(parents=True)
    (made / "venue.yaml").write_text("format: 1\nname: The Test Hall\ntime_zone: Europe/London\n", encoding="utf-8")
    (made / "rooms" / "hall.yaml").write_text(HALL, encoding="utf-8")
    devices = [
        f"  - {{id: box-{n}, model: Fennbeck 12, serial: FB12-00{n}, firmware: 2.3.1,"
        f" mac: '02:00:5e:02:00:0{n}', outputs: {{1: {{level_db: -12}}}}}}\n"
        for n in (1, 2)
    ]
    (made / "devices.yaml").write_text(f"format: 1\ndevices:\n{''.join(devices)}", encoding="utf-8")
    return made


def configured(home: Path, url: str) -> Path:
    """A home with its receivers; the file that the command writes."""
    home.mkdir(mode=0o700)
    out = home / "told"
    (home / "config.toml").write_text(CONFIG.format(url=url), encoding="utf-8")
    (home / "hook.key").write_bytes(KEY)
    (home / "tell").write_text(TELL.format(python=sys.executable, out=str(out)), encoding="utf-8")
    for name, mode in (("config.toml", 0o600), ("hook.key", 0o600), ("tell", 0o700)):
        (home / name).chmod(mode)
    return out


def test_one_press_is_told_once_to_each_over_a_restart(tmp_path: Path, server: WebhookServer) -> None:
    files, commands = venue(tmp_path), Commands(tmp_path / "home")
    out = configured(commands.home, server.url)
    server.answer = status(503)
    log, state = tmp_path / "log", tmp_path / "devices"
    with embedded_broker(tmp_path) as port, simulators(port, files, state):
        options = ("--broker", f"mqtt://{LOOPBACK}:{port}", "--venue", str(files), "--log-level", "debug")
        with daemon(commands.home, *options, log=log):
            eventually("the hall is right", lambda: commands.json("rooms")["rooms"][0]["same"])
            tested = commands.run("notices", "--test", code=2)
            assert "it answers 503" in tested.out
            assert len(out.read_text().splitlines()) == 2
            words = [sys.executable, "-m", "simulators", "panel", "--state", str(state), "box-1", "level", "-3"]
            with process(words) as press:
                assert press.wait() == 0
            notices = eventually("a notice is given", lambda: commands.json("notices", "--kind", "drift")["notices"])
            eventually("the webhook was tried", lambda: len(server.got) > 1)
            eventually("the command was told", lambda: len(out.read_text().splitlines()) == 4)
        refused = len(server.got)
        server.answer = OK
        with daemon(commands.home, *options, log=log):
            eventually("the webhook was told", lambda: len(server.got) > refused)
            time.sleep(2.5)  # long enough for a second one
            assert commands.json("notices", "--kind", "drift")["notices"] == notices
            assert "arrived" in commands.run("notices", "--test", code=0).out
            assert "s3cret" not in commands.run("config", code=0).said

    (notice,) = notices
    assert (notice["room"], notice["positions"], notice["devices"]) == ("hall", ["left"], ["box-1"])
    got = [one for one in server.got[refused:] if not one.document["test"]]
    assert [one.headers["fleet-notice"] for one in got] == [notice["id"]]
    assert got[0].document["notices"] == [notice]
    for one in server.got:
        assert one.headers["fleet-signature"] == f"sha256={hmac.new(KEY, one.body, hashlib.sha256).hexdigest()}"
    lines = out.read_text().splitlines()
    told = [json.loads(line) for line in lines[::2]]
    assert [t["id"] for t in told if not t["test"]] == [notice["id"]]
    assert lines[1::2] == [t["id"] for t in told]
    logged = log.read_text(encoding="utf-8") + (commands.home / "log.jsonl").read_text(encoding="utf-8")
    assert "s3cret" not in logged
    assert KEY.decode() not in logged
