"""The embedded broker: one port, one trusted machine, and no longer alive than its parent."""

from __future__ import annotations

import asyncio
import sys

import pytest

from fleet.drivers.mqtt.broker import embedded_broker
from fleet.errors import BrokerDown
from tests.brokers import free_port

PARENT = """
import asyncio
from fleet.drivers.mqtt.broker import embedded_broker

async def main():
    async with embedded_broker() as address:
        print(address.port, flush=True)
        await asyncio.sleep(600)

asyncio.run(main())
"""


async def answers(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
    except OSError:
        return False
    writer.close()
    return True


async def test_it_answers_inside_the_block_and_is_gone_after_it() -> None:
    async with embedded_broker() as address:
        assert address.host == "127.0.0.1"
        assert await answers(address.port)
    assert not await answers(address.port)


async def test_it_dies_with_its_parent() -> None:
    parent = await asyncio.create_subprocess_exec(sys.executable, "-c", PARENT, stdout=asyncio.subprocess.PIPE)
    assert parent.stdout is not None
    port = int(await parent.stdout.readline())
    assert await answers(port)
    parent.kill()
    await parent.wait()
    async with asyncio.timeout(20):
        while await answers(port):  # noqa: ASYNC110 - another process dies; nothing here can tell
            await asyncio.sleep(0.05)


async def test_a_port_in_use_is_told_in_words() -> None:
    port = free_port()
    async with embedded_broker(port):
        with pytest.raises(BrokerDown, match=f"port {port}.*in use"):
            async with embedded_broker(port):
                pytest.fail("two brokers on one port")
