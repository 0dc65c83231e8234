"""A daemon that other machines reach, and the commands of a laptop there: real processes, real TLS, real sockets."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.brokers import LOOPBACK
from tests.network.lossy_namespace import Namespace, namespace, program
from tests.network.test_packet_loss import environment, eventually, process
from tests.network.venue import REPOSITORY, WANTED_DB, desired, write_devices

ADDRESS, PORT = "192.0.2.1", 8443
"""One of RFC 5737's, which no network has: nothing but the namespace knows it."""
URL = f"https://{ADDRESS}:{PORT}"
ROOMS = ("north", "south")
FLEET = [sys.executable, "-m", "fleet.app"]
TOKEN = re.compile(rb"fleet_[A-Za-z0-9_-]{43}")


@dataclass(frozen=True)
class Said:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class Site:
    """The daemon's machine, and a folder for the homes of laptops."""

    inside: Namespace
    folder: Path
    log: Path

    @property
    def home(self) -> Path:
        return self.folder / "home"

    def fleet(self, home: Path, *words: str, given: str = "") -> Said:
        """A command of a home."""
        done = subprocess.run(
            self.inside.words(*FLEET, *words, "--home", str(home)),
            cwd=REPOSITORY,
            env=environment(),
            input=given,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert "Traceback" not in done.stdout + done.stderr
        return Said(done.returncode, done.stdout, done.stderr)

    def token(self, role: str) -> str:
        return (self.folder / role).read_text(encoding="utf-8")

    def laptop(self, role: str) -> Path:
        """The home of a laptop of this role, signed in."""
        home = self.folder / f"laptop-{role}"
        if not home.exists():
            certificate = str(self.home / "certificate.pem")
            said = self.fleet(home, "sign-in", URL, "--certificate", certificate, given=self.token(role))
            assert said.code == 0, said
        return home

    def asked(self, home: Path, *words: str) -> Any:
        """The document of a command that does its work."""
        said = self.fleet(home, *words, "--json")
        assert said.code in {0, 1}, said
        return json.loads(said.out)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("site")
    venue, home = write_devices(folder / "venue", ROOMS), folder / "home"
    (venue / "rooms").mkdir()
    for name, text in desired(ROOMS, WANTED_DB).items():
        (venue / name).write_text(text, encoding="utf-8")
    daemon = [*FLEET, "daemon", "--home", str(home), "--interface", LOOPBACK, "--venue", str(venue)]
    with ExitStack() as stack:
        site = Site(stack.enter_context(namespace()), folder, folder / "daemon.log")
        inside = site.inside
        subprocess.run(inside.words(program("ip"), "address", "add", f"{ADDRESS}/32", "dev", "lo"), check=True)
        with process(inside.words(*daemon), folder / "first.log"):  # as the README says: alone first
            eventually("the daemon tells its address", (home / "daemon.json").is_file)
            for role in ("integrator", "operator", "auditor"):
                rooms = ["--rooms", "north"] if role == "operator" else []
                words = ["access", "make", f"Ana {role}", "--role", role, *rooms, "--out", str(folder / role)]
                eventually(f"a token for an {role}", lambda w=words: site.fleet(home, *w).code == 0)
        assert site.fleet(home, "access", "certificate", "--for", ADDRESS).code == 0
        settings = f'bind = "{ADDRESS}"\nport = {PORT}\n'
        settings += 'tls_certificate = "certificate.pem"\ntls_key = "certificate-key.pem"\n'
        (home / "config.toml").write_text(settings, encoding="utf-8")
        stack.enter_context(process(inside.words(*daemon, "--log-level", "debug"), site.log))
        eventually("the daemon tells its address", (home / "daemon.json").is_file)
        broker = str(status_of(site)["broker"]).removeprefix("mqtt://")
        simulators = ["simulators", "--venue", str(venue), "--broker", broker, "--processes", "1", "--no-announce"]
        stack.enter_context(process(inside.words(sys.executable, "-m", *simulators), folder / "simulators.log"))
        eventually("every box is found", lambda: site.asked(home, "devices")["counts"]["bound"] == len(ROOMS) * 3)
        yield site


def test_an_integrator_changes_a_room_from_a_laptop(site: Site) -> None:
    laptop = site.laptop("integrator")
    assert not site.asked(laptop, "diff", "south")["same"]
    change = site.asked(laptop, "apply", "south", "--yes", "--allow", "half-room", "--allow", "rise")
    assert (change["state"], change["who"]) == ("kept", "Ana integrator")
    assert site.asked(laptop, "diff", "south")["same"]
    loaded = site.asked(laptop, "load", str(site.folder / "venue"))
    assert loaded["unchanged"]


def test_an_operator_mutes_the_own_room_and_no_other(site: Site) -> None:
    laptop = site.laptop("operator")
    assert site.asked(laptop, "mute", "north")["state"] == "kept"
    assert site.asked(laptop, "unmute", "north", "--yes")["state"] == "kept"
    said = site.fleet(laptop, "mute", "south")
    assert (said.code, said.err) == (2, "fleet: south is not among the rooms that were given to you\n")
    said = site.fleet(laptop, "devices")
    assert said.code == 2
    assert said.err.startswith("fleet: your token is an operator's, and this is not for an operator")


def test_an_auditor_takes_the_proof_home(site: Site) -> None:
    laptop, file = site.laptop("auditor"), site.folder / "snapshot.json"
    taken = site.asked(laptop, "snapshot", "take", "--note", "from afar")
    assert site.fleet(laptop, "snapshot", "key", "--out", str(site.folder / "venue.pem")).code == 0
    assert site.fleet(laptop, "snapshot", "export", taken["id"], "--out", str(file)).code == 0
    assert site.fleet(laptop, "snapshot", "verify", str(file), "--key", str(site.folder / "venue.pem")).code == 0
    assert site.asked(laptop, "handover", "north", "--out", str(site.folder / "pack"))["files"]
    said = site.fleet(laptop, "apply", "north", "--yes")
    assert (said.code, said.out) == (2, "")
    assert "your token is an auditor's" in said.err


def test_a_watch_is_told_what_happens_and_has_no_token_where_others_see_it(site: Site) -> None:
    laptop, log = site.laptop("integrator"), site.folder / "watch.log"
    words = site.inside.words(*FLEET, "watch", "--json", "--home", str(laptop))
    with log.open("wb") as file:
        watch = subprocess.Popen(words, cwd=REPOSITORY, env=environment(), stdout=file, stderr=file)
    try:
        eventually("it is connected", lambda: '"event": "room"' in log.read_text(encoding="utf-8"))
        site.asked(site.laptop("operator"), "mute", "north", "--position", "at-north-1")
        eventually("it is told", lambda: '"kind": "mute"' in log.read_text(encoding="utf-8"))
        own = Path(f"/proc/{watch.pid}")
        shown = (own / "cmdline").read_bytes() + (own / "environ").read_bytes()
        assert str(laptop).encode() in shown, "this is the watch itself, not what started it"
        assert TOKEN.search(shown) is None
    finally:
        watch.terminate()
        watch.wait(30)
    site.asked(site.laptop("operator"), "unmute", "north", "--yes")


def test_it_is_the_daemon_that_is_trusted_and_nobody_else(site: Site) -> None:
    home, token = site.folder / "nobody", site.token("auditor")
    said = site.fleet(home, "sign-in", URL, given=token)
    assert (said.code, "no authority that this machine knows signed" in said.err) == (2, True)
    said = site.fleet(home, "sign-in", f"http://{ADDRESS}:{PORT}", given=token)
    assert (said.code, "would show the token" in said.err) == (2, True)
    said = site.fleet(home, "sign-in", "https://192.0.2.99:8443", given=token)  # no route leads there
    assert (said.code, "https://192.0.2.99:8443 does not answer" in said.err) == (2, True), said
    assert not home.exists() or list(home.iterdir()) == []


def test_a_token_that_is_revoked_opens_nothing_more(site: Site) -> None:
    laptop, home = site.laptop("integrator"), site.folder / "short"
    token = site.asked(laptop, "access", "make", "Short", "--role", "auditor")
    certificate = str(site.home / "certificate.pem")
    assert site.fleet(home, "sign-in", URL, "--certificate", certificate, given=token["token"]).code == 0
    assert site.fleet(home, "devices").code == 0
    assert site.fleet(laptop, "access", "revoke", token["id"]).code == 0
    said = site.fleet(home, "devices")
    assert said.code == 2
    assert said.err.startswith(f"fleet: the token of Short opens nothing at {URL}: it was revoked")
    assert site.fleet(home, "sign-out").code == 0
    assert list(home.iterdir()) == []


def test_no_token_is_in_what_the_daemon_says_or_keeps(site: Site) -> None:
    secrets = {role: site.token(role).strip().encode() for role in ("integrator", "operator", "auditor")}
    said = site.fleet(site.laptop("auditor"), "log", "--lines", "10000")
    assert said.code == 0
    texts = {"said": said.out.encode(), "log": site.log.read_bytes()}
    texts |= {str(f): f.read_bytes() for f in site.home.rglob("*") if f.is_file()}
    assert {(name, role) for name, data in texts.items() for role, token in secrets.items() if token in data} == set()


def status_of(site: Site) -> Any:
    """What the daemon tells of itself."""
    words = "import json,sys; from pathlib import Path; from fleet.faces.cli.client import find; "
    words += "print(json.dumps(find(Path(sys.argv[1])).get('/status')))"
    done = subprocess.run(
        site.inside.words(sys.executable, "-c", words, str(site.home)),
        cwd=REPOSITORY,
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)
