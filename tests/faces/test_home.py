"""The daemon's folder: what opens the API is readable by its owner alone, and one daemon owns it."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.errors import BadInput, NoDaemon, Refused
from fleet.faces.cli.client import find
from fleet.faces.cli.home import open_home


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture(params=[0o000, 0o022, 0o077], ids=oct)
def _umask(request: pytest.FixtureRequest) -> Iterator[None]:
    before = os.umask(request.param)
    yield
    os.umask(before)


@pytest.mark.usefixtures("_umask")
def test_only_the_owner_can_read(home: Path) -> None:
    with open_home(home) as folder:
        folder.publish("http://127.0.0.1:4711")
        assert mode(home) == 0o700
        assert {p.name: mode(p) for p in home.iterdir()} == {"lock": 0o600, "token": 0o600, "daemon.json": 0o600}
        assert len(folder.token) >= 43, "256 bits in base 64"
        daemon = find(home)
        assert (daemon.url, daemon.token) == ("http://127.0.0.1:4711", folder.token)


def test_an_older_token_readable_by_all_is_replaced(home: Path) -> None:
    home.mkdir()
    (home / "token").write_text("old")
    (home / "token").chmod(0o644)
    with open_home(home) as folder:
        assert mode(home / "token") == 0o600
        assert (home / "token").read_text() == folder.token != "old"


def test_a_token_that_is_a_link_is_not_followed(home: Path, tmp_path: Path) -> None:
    home.mkdir()
    other = tmp_path / "other"
    other.write_text("mine")
    (home / "token").symlink_to(other)
    with open_home(home):
        assert other.read_text() == "mine"
        assert not (home / "token").is_symlink()


def test_each_daemon_has_a_token_of_its_own(home: Path) -> None:
    tokens = set()
    for _ in range(3):
        with open_home(home) as folder:
            tokens.add(folder.token)
    assert len(tokens) == 3


def test_a_second_daemon_is_refused_and_disturbs_nothing(home: Path) -> None:
    with open_home(home) as folder:
        folder.publish("http://127.0.0.1:4711")
        with pytest.raises(Refused, match="another daemon is running") as refusal, open_home(home):
            pass
        assert "--home" in refusal.value.remedy
        assert find(home).token == folder.token
    with open_home(home):
        assert not (home / "daemon.json").exists()


def test_a_daemon_that_ends_takes_its_address_away(home: Path) -> None:
    with open_home(home) as folder:
        folder.publish("http://127.0.0.1:4711")
        assert json.loads((home / "daemon.json").read_text())["pid"] == os.getpid()
    with pytest.raises(NoDaemon, match="no daemon is running for"):
        find(home)


def test_a_daemon_that_fails_takes_its_address_away(home: Path) -> None:
    def fail() -> None:
        with open_home(home) as folder:
            folder.publish("http://127.0.0.1:4711")
            raise RuntimeError("a fault")

    with pytest.raises(RuntimeError):
        fail()
    assert not (home / "daemon.json").exists()


def test_what_a_killed_daemon_left_is_taken_away_by_the_next(home: Path) -> None:
    home.mkdir()
    (home / "daemon.json").write_text('{"url": "http://127.0.0.1:1", "pid": 1}')
    with open_home(home), pytest.raises(NoDaemon):
        find(home)


def test_a_folder_that_cannot_be_one(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="the daemon's folder cannot be used"), open_home(tmp_path / "file" / "home"):
        pass


@pytest.mark.parametrize("bits", [0o720, 0o702, 0o777], ids=oct)
def test_a_folder_that_others_can_write_to_is_refused(home: Path, bits: int) -> None:
    home.mkdir()
    home.chmod(bits)
    with pytest.raises(BadInput, match="others can write to the daemon's folder") as refused, open_home(home):
        pass
    assert refused.value.remedy.endswith(f"chmod 700 {home}")
    assert list(home.iterdir()) == [], "and nothing is written into it"
    home.chmod(0o700)
    with open_home(home):
        pass


def test_a_folder_that_everybody_could_replace_is_refused(tmp_path: Path) -> None:
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    with pytest.raises(BadInput, match="put another in its place"), open_home(tmp_path / "open" / "home"):
        pass
    (tmp_path / "open").chmod(0o1777)
    with open_home(tmp_path / "open" / "home"):
        pass


def test_folders_above_that_were_missing_are_nobody_elses_to_write_to(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        with open_home(tmp_path / "state" / "fleet" / "home"):
            modes = [mode(tmp_path / "state"), mode(tmp_path / "state" / "fleet")]
    finally:
        os.umask(before)
    assert modes == [0o755, 0o755]


def test_a_lock_that_is_a_link_is_not_followed(home: Path, tmp_path: Path) -> None:
    home.mkdir(mode=0o700)
    (home / "lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BadInput, match="cannot be used"), open_home(home):
        pass
    assert not (tmp_path / "elsewhere").exists()
