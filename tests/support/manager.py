"""A service manager's ear, for programs that tell it how they are."""

from __future__ import annotations

import contextlib
import socket
import tempfile
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from support.commands import wait_until


class Manager:
    """A service manager's ear: the socket of sd_notify(3), listened to all the time."""

    def __enter__(self) -> Self:
        # Not pytest's own folder: a socket's path may have 107 characters (unix(7)).
        self._folder = tempfile.TemporaryDirectory(prefix="ear-")
        self._ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._ear.settimeout(0.05)
        self.env = {"NOTIFY_SOCKET": str(Path(self._folder.name, "ear"))}
        self._ear.bind(self.env["NOTIFY_SOCKET"])
        self.heard: list[str] = []
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end.set()
        self._thread.join()
        self._ear.close()
        self._folder.cleanup()

    def _listen(self) -> None:
        while not self._end.is_set():
            with contextlib.suppress(TimeoutError):
                self.heard.append(self._ear.recv(4096).decode())

    def wait(self, state: str, count: int = 1, *, within_s: float, tell: str = "") -> None:
        """Wait until `state` has come `count` times, or that many times more than now."""
        before = 0 if state == "READY=1" else self.heard.count(state)
        wait_until(
            lambda: self.heard.count(state) >= before + count,
            within_s,
            lambda: f"{state} did not come: {self.heard} {tell}",
        )
