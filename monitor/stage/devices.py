"""What stands on the network around a simulated station: its mains plugs, and somebody's page."""

from __future__ import annotations

from contextlib import AsyncExitStack

from monitor.app import Surroundings
from monitor.config import Station
from monitor.core.exchange import Presence
from monitor.link.mqtt import MqttLink
from monitor.link.plugs import PlugTopics
from monitor.simulate.plug import PlugDevice
from monitor.simulate.world import World


def topics_of(station: Station) -> tuple[PlugTopics, ...]:
    """Return where the orders to a station's plugs and their states go."""
    return tuple(
        PlugTopics(
            station=station.id,
            plug=name,
            order_topic=plug.order_topic,
            on_payload=plug.on_payload,
            off_payload=plug.off_payload,
            state_topic=plug.state_topic,
            state_on=plug.state_on,
            state_off=plug.state_off,
        )
        for name, plug in station.plugs.items()
    )


async def plugged(
    stack: AsyncExitStack, station: Station, world: World, around: Surroundings
) -> tuple[PlugDevice, ...]:
    """Put a station's plugs on the network. The heater is on if it is covered, the pump off."""
    plugs = []
    for topics in topics_of(station):
        link = MqttLink(
            url=around.url,
            client_id=f"plug-{topics.plug}-{around.new_id()}",
            subscriptions=(topics.order_topic,),
            will=None,
            ledger=around.ledger,
            keepalive_s=around.keepalive_s,
            now_s=around.clock.now_s,
            plugs=(topics,),
        )
        heater, level_m = world.plant.rig.heater, world.plant.level_m
        on = topics.plug == "heater" and heater is not None and level_m > heater.exposed_m
        plugs.append(PlugDevice(station.id, topics.plug, link, world.switch, on=on))
        await stack.enter_async_context(link)

    def pressed(name: str, on: bool) -> None:
        for plug in plugs:
            if plug.plug == name:
                plug.pressed(on)

    world.on_plug = pressed
    return tuple(plugs)


async def desk_of(stack: AsyncExitStack, station: Station, around: Surroundings) -> MqttLink:
    """Have somebody at the desk: a client that is there and does nothing else."""
    link = MqttLink(
        url=around.url,
        client_id=f"desk-{around.new_id()}",
        subscriptions=(),
        will=Presence(station.id, "desk", around.new_id(), True, around.simulated),
        ledger=around.ledger,
        keepalive_s=around.keepalive_s,
        now_s=around.clock.now_s,
    )
    return await stack.enter_async_context(link)
