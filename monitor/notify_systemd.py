"""A word to the service manager: the sd_notify(3) protocol, which is one datagram a message."""

from __future__ import annotations

import contextlib
import os
import socket

_US_PER_S = 1_000_000


def notify(state: str) -> None:
    """Send `state`, such as "READY=1", "WATCHDOG=1" or "STOPPING=1", to whoever started us.

    Does nothing without a `NOTIFY_SOCKET` in the environment, never blocks and never raises: a
    service manager in trouble must not keep a valve open.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    if address.startswith("@"):  # Linux's abstract sockets, which have no file
        address = "\0" + address[1:]
    with (
        contextlib.suppress(OSError, ValueError),
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link,
    ):
        link.setblocking(False)
        link.sendto(state.encode(), address)


def watchdog_s() -> float | None:
    """Return within how many seconds each WATCHDOG=1 is expected; None when none is.

    As sd_watchdog_enabled(3): `WATCHDOG_USEC`, unless `WATCHDOG_PID` names another process.
    """
    pid = os.environ.get("WATCHDOG_PID", "")
    period = os.environ.get("WATCHDOG_USEC", "")
    if not period.isascii() or not period.isdigit() or (pid and pid != str(os.getpid())):
        return None
    return int(period) / _US_PER_S or None
