"""The embedded broker: amqtt in our own loop, on the loopback address, among our own clients.

`python -m monitor.link.broker --port N` runs one as a process of its own, for simulations that
have to kill or freeze it; it prints its port when it is ready.
"""

from __future__ import annotations

import argparse
import asyncio
import ipaddress
import logging
import signal
import sys
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from monitor.errors import LinkError
from monitor.logs import get_logger

if TYPE_CHECKING:
    from monitor.link.loopback import LoopbackBroker

LOOPBACK: Final = "127.0.0.1"
SHUTDOWN_S: Final = 2.0


class EmbeddedBroker:
    """A broker on 127.0.0.1. Port 0 takes any free one; `url` says which.

    A `patient` one waits for ever for a silent client. It is for simulated time, which runs so much
    faster than a person's client at another terminal can send its pings.

    Raises:
        LinkError: a host that other machines could reach, or, on entering, a port in use.
    """

    def __init__(self, *, host: str = LOOPBACK, port: int = 0, patient: bool = False) -> None:
        try:
            is_loopback = ipaddress.ip_address(host).is_loopback
        except ValueError:
            is_loopback = False
        if not is_loopback:
            # It asks nobody for a password, so nobody else may reach it.
            raise LinkError(
                f"the embedded broker cannot listen on {host!r}",
                allowed=LOOPBACK,
                fix="use a broker with passwords, such as mosquitto, and give its URL",
            )
        self._host = host
        self._port = port
        self._patient = patient
        self._broker: LoopbackBroker | None = None

    @property
    def url(self) -> str:
        """The address for clients; the real port once it runs."""
        return f"mqtt://{self._host}:{self._port}"

    @property
    def port(self) -> int:
        """The TCP port; the real one once it runs."""
        return self._port

    async def __aenter__(self) -> Self:
        """Listen."""
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        from amqtt.errors import BrokerError  # noqa: PLC0415  # heavy, and only needed here

        from monitor.link.loopback import LoopbackBroker, config  # noqa: PLC0415

        broker = LoopbackBroker(config(self._host, self._port), patient=self._patient)
        try:
            await broker.start()
        except BrokerError as error:
            raise LinkError(
                "the embedded broker cannot start",
                where=self.url,
                allowed="a free port",
                fix=f"stop what listens there, or set another [broker] port ({error})",
            ) from None
        self._broker = broker
        self._port = broker.ports[0]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop listening and drop every client, within two seconds."""
        broker, self._broker = self._broker, None
        if broker is None:
            return
        try:
            async with asyncio.timeout(SHUTDOWN_S):
                await broker.shutdown()
        except TimeoutError:
            get_logger(__name__).warning("the embedded broker did not stop in time")


async def _serve(port: int) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, stop.set)
    async with EmbeddedBroker(port=port) as broker:
        sys.stdout.write(f"{broker.port}\n")
        sys.stdout.flush()
        await stop.wait()


def main() -> None:
    """Run a broker until a signal ends it."""
    parser = argparse.ArgumentParser(description="An MQTT broker on the loopback address.")
    parser.add_argument("--port", type=int, default=0, help="TCP port; 0 takes any free one")
    asyncio.run(_serve(parser.parse_args().port))


if __name__ == "__main__":
    main()
