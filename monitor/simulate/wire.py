"""Lines of JSON between the processes of one simulation."""

from __future__ import annotations

import json
import select
import socket
from collections.abc import Mapping
from typing import Any

LINE_MAX = 1 << 20
"""Bytes in one line of either direction."""

SEND_GRACE_S = 10.0
"""Real seconds for which a sender waits for the other side to read."""

_CHUNK = 1 << 16


class LineChannel:
    """Lines of JSON over a stream socket; the reading side never blocks."""

    def __init__(self, sock: socket.socket) -> None:
        """Take the socket over."""
        sock.setblocking(False)
        self._sock = sock
        self._rest = b""

    def fileno(self) -> int:
        """Return the socket's descriptor, for a selector."""
        return self._sock.fileno()

    def send(self, message: Mapping[str, Any]) -> None:
        """Send one line, waiting for room if there is none.

        Raises:
            ValueError: the line is longer than `LINE_MAX`.
            OSError: the other side is gone, or has not read for `SEND_GRACE_S`.
        """
        line = json.dumps(message, separators=(",", ":")).encode() + b"\n"
        if len(line) > LINE_MAX:
            msg = f"a message of {len(line)} bytes between processes: at most {LINE_MAX} go"
            raise ValueError(msg)
        view = memoryview(line)
        while view:
            try:
                view = view[self._sock.send(view) :]
            except BlockingIOError:
                room = select.poll()
                room.register(self._sock, select.POLLOUT)
                if not room.poll(SEND_GRACE_S * 1000):
                    msg = "the other process does not read its line"
                    raise TimeoutError(msg) from None

    def receive(self) -> tuple[list[dict[str, Any]], bool]:
        """Return all messages that are there now, and whether the other side has closed.

        Raises:
            ValueError: what came is not a line of JSON, or is too long.
        """
        closed = False
        parts = [self._rest]
        while True:
            try:
                data = self._sock.recv(_CHUNK)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                closed = True
                break
            parts.append(data)
            if len(data) < _CHUNK:
                break
        *lines, self._rest = b"".join(parts).split(b"\n")
        if len(self._rest) > LINE_MAX:
            msg = f"a line of more than {LINE_MAX} bytes"
            raise ValueError(msg)
        return [json.loads(line) for line in lines], closed

    def close(self) -> None:
        """Close the socket."""
        self._sock.close()
