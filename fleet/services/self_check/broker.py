"""Does the devices' broker answer, may we read and write there, and who else may."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import secrets
from dataclasses import replace

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.client import new_client
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.topics import markers_topic
from fleet.errors import BrokerDown
from fleet.model.names import shown
from fleet.services.self_check.result import Result, not_checked, ok, trouble, warning

BROKER, ACCESS, LISTS, PASSWORD = "broker", "broker access", "broker access lists", "broker password"
WITHIN_S = 3.0


async def check_broker(broker: BrokerAddress, root: str) -> list[Result]:
    """The broker at its address, by effect: what it grants proves nothing, what arrives does."""
    return [*await _reached(broker, root), *check_password(broker)]


def check_password(broker: BrokerAddress) -> list[Result]:
    """Whether others can read our password on its way, where there is one."""
    if broker.password is None:
        return []
    if broker.tls:
        return [ok(PASSWORD, "it goes over TLS")]
    if _on_this_machine(broker.host):
        return [ok(PASSWORD, "it does not leave this machine")]
    words = "it goes over the network as it is written, for everybody there to read"
    return [warning(PASSWORD, words, "Give the broker a port with TLS, and name it mqtts://.")]


async def _reached(broker: BrokerAddress, root: str) -> list[Result]:
    try:
        async with asyncio.timeout(WITHIN_S):
            _, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.close()
    except (OSError, TimeoutError, UnicodeError) as error:
        why = _why_not(error)
        remedy = "Check that it runs, its host and port, and what is between (firewall, network)."
        return [trouble(BROKER, f"{broker} cannot be reached: {why}", remedy), *_unknown("it cannot be reached")]
    name = f"fleet-check-{secrets.token_hex(4)}"
    try:
        async with new_client(broker, name, replace(Timings(), connect_s=WITHIN_S)) as client:
            answers = ok(BROKER, f"{broker} accepts us{f' as {shown(broker.user)}' if broker.user else ''}")
            if not await _comes_back(client, client, markers_topic(root, name)):
                words = f"what we write to our own topic under {root}/controllers does not come back"
                remedy = f"Let this user read and write {root}/controllers/# in the broker's access list."
                return [answers, trouble(ACCESS, words, remedy), not_checked(LISTS, "we have no access ourselves")]
            granted = ok(ACCESS, f"we can write and read under {root}")
            return [answers, granted, await _lists(broker, client, markers_topic(root, name))]
    except BrokerDown as error:
        return [trouble(BROKER, error.what, error.remedy), *_unknown("we do not come to terms")]
    except aiomqtt.MqttError as error:
        why = shown(str(error), 200)
        remedy = "Check user and password in the broker's URL; some brokers let a wrong password run into a time-out."
        if not broker.tls:
            remedy += " A port with TLS is named mqtts://."
        return [trouble(BROKER, f"{broker} answers, and does not accept us: {why}", remedy), *_unknown("it refuses us")]


def _why_not(error: OSError | TimeoutError | UnicodeError) -> str:
    if isinstance(error, TimeoutError):
        return "it does not answer in time"
    if isinstance(error, UnicodeError):  # from the encoding of names
        return "no host can have this name"
    return error.strerror or str(error)


async def _lists(broker: BrokerAddress, client: aiomqtt.Client, topic: str) -> Result:
    """Whether somebody without a name may write what we read."""
    if broker.user is not None:
        stranger = replace(broker, user=None, password=None)
        try:
            timings = replace(Timings(), connect_s=WITHIN_S)
            async with new_client(stranger, f"fleet-check-{secrets.token_hex(4)}", timings) as other:
                if not await _comes_back(other, client, topic):
                    return ok(LISTS, "a client without a name cannot write here")
        except (aiomqtt.MqttError, BrokerDown):
            return ok(LISTS, "a client without a name is not let in")
    if _on_this_machine(broker.host):
        return ok(LISTS, "it has none, and only programs of this machine reach it")
    words = "anyone on its network can write to the devices: it has no access list"
    return warning(LISTS, words, "Give the broker users and an access list.")


async def _comes_back(writer: aiomqtt.Client, reader: aiomqtt.Client, topic: str) -> bool:
    """Whether a message of one client arrives at the other."""
    marker = secrets.token_bytes(8)
    await reader.subscribe(topic, qos=0)
    await writer.publish(topic, marker, qos=0)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(WITHIN_S):
            async for message in reader.messages:
                if message.topic.value == topic and message.payload == marker:
                    return True
    return False


def _on_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _unknown(why: str) -> list[Result]:
    return [not_checked(ACCESS, why), not_checked(LISTS, why)]
