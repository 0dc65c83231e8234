"""A firewall, an interface that is down, and a broker that is open to all, in a network of the test's own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.brokers import _EMBEDDED as EMBEDDED
from tests.brokers import LOOPBACK
from tests.network.lossy_namespace import Namespace, namespace, program

ADDRESS = "10.9.9.9"
BROKER = """
import asyncio
import sys
from iotcore import Broker
from fleet.discovery.broker_address import BrokerAddress
from fleet.services.self_check.broker import check_broker
with Broker(config_path=sys.argv[1]):
    for result in asyncio.run(check_broker(BrokerAddress(host="10.9.9.9", port=1883), "loudspeakers/v1")):
        print(result.state.value, result.words, sep=": ")
"""
CHECK = """
import asyncio
from fleet.services.self_check.mdns import check_mdns
for result in asyncio.run(check_mdns(["127.0.0.1"])):
    print(result.state.value, result.words, sep=": ")
"""
FIREWALL = """
table inet wall {
  chain output {
    type filter hook output priority 0; policy accept;
    udp dport 5353 drop
  }
}
"""


def checked(inside: Namespace, script: str = CHECK, *arguments: str) -> str:
    command = inside.words(sys.executable, "-c", script, *arguments)
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_a_firewall_in_the_way() -> None:
    with namespace() as inside:
        assert checked(inside) == "ok: announced and seen"
        subprocess.run(inside.words(program("nft"), "-f", "-"), input=FIREWALL, text=True, check=True)
        assert checked(inside).startswith("trouble: ")


def test_an_interface_that_is_down() -> None:
    with namespace() as inside:
        subprocess.run(inside.words(program("ip"), "link", "set", "lo", "down"), check=True)
        assert checked(inside).startswith("trouble: ")


def test_a_broker_that_is_open_to_its_network(tmp_path: Path) -> None:
    settings = tmp_path / "broker.toml"
    settings.write_text(EMBEDDED.format(port=1883).replace(LOOPBACK, ADDRESS), encoding="utf-8")
    with namespace() as inside:
        subprocess.run(inside.words(program("ip"), "address", "add", f"{ADDRESS}/32", "dev", "lo"), check=True)
        *well, last = checked(inside, BROKER, str(settings)).splitlines()
    assert [line.partition(":")[0] for line in well] == ["ok", "ok"]
    assert last == "warning: anyone on its network can write to the devices: it has no access list"
