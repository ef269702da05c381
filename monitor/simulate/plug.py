"""A certified mains plug on the network, simulated: it obeys orders and says what it has done."""

from __future__ import annotations

from collections.abc import Callable

from monitor.core.exchange import PlugOrder, PlugState
from monitor.ports import Link


class PlugDevice:
    """One plug on a link of its own, which can say and read this plug's topics.

    Parameters:
        station, plug: whose it is; `plug` is "heater" or "pump".
        link: entered by its owner, and subscribed to the plug's orders.
        switch: gives the load current or takes it away, and returns what it has then; see
            `world.World.switch`. A plug that is stuck does not obey, and says so.
        on: what the load has at first.
    """

    def __init__(
        self, station: str, plug: str, link: Link, switch: Callable[[str, bool], bool], *, on: bool
    ) -> None:
        self.station, self.plug = station, plug
        self._link = link
        self._switch = switch
        self.on = switch(plug, on)
        link.on_connection(self._connected)

    async def run(self) -> None:
        """Obey orders until cancelled."""
        async for incoming in self._link.incoming():
            match incoming.message:
                case PlugOrder(station=self.station, plug=self.plug, on=on):
                    self.on = self._switch(self.plug, on)
                    self._say()
                case _:
                    pass

    def pressed(self, on: bool) -> None:
        """Follow the plug's own button, which has been pressed."""
        self.on = on
        self._say()

    def _connected(self, up: bool) -> None:
        if up:
            self._say()

    def _say(self) -> None:
        self._link.send(PlugState(self.station, self.plug, self.on))
