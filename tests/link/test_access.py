"""The access list we ship, by a real mosquitto: who may say what, and who may hear it."""

from __future__ import annotations

import asyncio
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

from monitor.core.exchange import PlugOrder, PlugState
from monitor.link.codec import encode
from monitor.link.mqtt import MqttLink
from support.messages import EXAMPLES, HEATER
from support.mosquitto import Mosquitto, find_mosquitto
from support.rigs import take, until

SHIPPED = Path(__file__).parents[2] / "deploy" / "mosquitto" / "brimwatch.acl"
USERS = ("engine", "node", "plug", "desk", "people")
AUDITOR = "auditor"  # of this test alone: hears and says everything
WITHIN_S = 5.0

RIVER = "brimwatch/v1/river/"
PRESENCES = {RIVER + "presence/" + role for role in ("node", "engine", "desk")}
OURS = {encode(message).topic for message in EXAMPLES} | PRESENCES
ORDER, STATE = HEATER.order_topic, HEATER.state_topic
# What is nobody's business but the user's: near misses of the plugs' topics, and another's lamp.
FOREIGN = {"plugs/river-heater", "plugs/river-heater/other", "plugs/a/b/order", "house/lamp/order"}
EVERYTHING = OURS | {ORDER, STATE} | FOREIGN

MAY_SAY = {
    "engine": OURS | {ORDER},
    "node": {RIVER + level for level in ("readings", "guard", "guard/out", "presence/node")},
    "plug": {STATE},
    "desk": {RIVER + "request", RIVER + "presence/desk"},
    "people": {RIVER + "request"},
}
MAY_HEAR = {
    "engine": OURS | {STATE},
    "node": {RIVER + level for level in ("permit", "withdraw", "alarm")} | PRESENCES,
    "plug": {ORDER},
    "desk": OURS,
    "people": OURS,
}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A mosquitto with our access list, and one more user who may do anything."""
    if find_mosquitto() is None or shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto is not installed: the access list was not tried")
    passwords, access = tmp_path / "passwords", tmp_path / "access"
    passwords.write_text("".join(f"{user}:pw\n" for user in (*USERS, AUDITOR)))
    access.write_text(f"{SHIPPED.read_text()}\nuser {AUDITOR}\ntopic readwrite #\n")
    for file in (passwords, access):
        file.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
    extra = f"password_file {passwords}\nacl_file {access}\n"
    with Mosquitto(anonymous=False, extra=extra) as running:
        yield running


def client(broker: Mosquitto, user: str) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", broker.port, username=user, password="pw")


async def heard(listener: aiomqtt.Client, last: str) -> list[str]:
    """Return the topics that arrive up to the last one: the broker keeps their order."""
    topics: list[str] = []
    async with asyncio.timeout(WITHIN_S):
        async for message in listener.messages:
            topics.append(str(message.topic))
            if topics[-1] == last:
                return topics[:-1]
    return topics


@pytest.mark.parametrize("user", USERS)
async def test_what_a_user_may_say(user: str, broker: Mosquitto) -> None:
    """Each user's words arrive on the topics that are theirs and on no other: the engine may order
    a plug about and may not speak for it, nor for anything else that is the user's own.
    """
    async with client(broker, AUDITOR) as auditor, client(broker, user) as speaker:
        await auditor.subscribe("#", qos=1)
        for topic in sorted(EVERYTHING):
            await speaker.publish(topic, user, qos=1)
        await auditor.publish("end", qos=1)
        assert set(await heard(auditor, "end")) == MAY_SAY[user]


@pytest.mark.parametrize("user", USERS)
async def test_what_a_user_may_hear(user: str, broker: Mosquitto) -> None:
    """Each user hears what they need and nothing else, whatever they subscribe to."""
    async with client(broker, AUDITOR) as auditor, client(broker, user) as listener:
        await listener.subscribe([(topic, 1) for topic in sorted(EVERYTHING)])
        theirs = sorted(MAY_HEAR[user])
        for topic in (*sorted(EVERYTHING - MAY_HEAR[user]), *theirs):
            await auditor.publish(topic, b"", qos=1)
        assert await heard(listener, theirs[-1]) == theirs[:-1]


async def test_an_order_and_a_state_pass_between_our_links(broker: Mosquitto) -> None:
    """With the shipped list the engine's link switches a plug and hears it; a plug's state said by
    people reaches nobody.
    """

    def link(user: str, *topics: str) -> MqttLink:
        url = f"mqtt://{user}:pw@127.0.0.1:{broker.port}"
        return MqttLink(
            url=url,
            client_id=user,
            subscriptions=topics,
            will=None,
            plugs=(HEATER,),
            now_s=time.monotonic,
        )

    off = PlugState("river", "heater", False)
    async with link("engine", STATE) as engine, link("plug", ORDER) as plug:
        await until(lambda: engine.connected and plug.connected)
        async with client(broker, "people") as stranger:
            await stranger.publish(STATE, HEATER.state_on, qos=1)
            await stranger.publish(ORDER, HEATER.on_payload, qos=1)
        assert engine.send(PlugOrder("river", "heater", False))
        (order,) = await take(plug.incoming())
        assert order.message == PlugOrder("river", "heater", False)
        assert plug.send(off)
        (state,) = await take(engine.incoming())
        assert state.message == off
        assert (engine.rejected, plug.rejected) == (0, 0)
