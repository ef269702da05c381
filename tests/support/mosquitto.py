"""A real mosquitto broker for tests: its own process, its own temporary config, loopback only."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Self

START_S = 5.0


def find_mosquitto() -> str | None:
    """Return the path of the mosquitto program, or None where it is not installed."""
    return shutil.which("mosquitto") or shutil.which(
        "mosquitto", path=os.pathsep.join(("/usr/sbin", "/usr/local/sbin"))
    )


def free_port() -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


class Mosquitto:
    """A mosquitto process, as a context manager. `kill`, `freeze` and `start` may be used in
    between; the port stays the same.
    """

    def __init__(self, *, port: int | None = None, extra: str = "", anonymous: bool = True) -> None:
        self.port = port or free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None
        self._extra = extra
        self._anonymous = anonymous
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Self:
        program = find_mosquitto()
        if program is None:
            raise FileNotFoundError("mosquitto is not installed")
        self._folder = tempfile.TemporaryDirectory(prefix="mosquitto-")
        config = Path(self._folder.name, "mosquitto.conf")
        config.write_text(
            f"listener {self.port} 127.0.0.1\n"
            f"allow_anonymous {str(self._anonymous).lower()}\n"
            "set_tcp_nodelay true\n"
            "persistence false\n"
            f"user {getpass.getuser()}\n"
            "log_dest none\n" + self._extra
        )
        self._command = [program, "-c", str(config)]
        try:
            self.start()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.kill()
        if self._folder is not None:
            self._folder.cleanup()

    def start(self) -> None:
        """Start the process, if it does not run, and wait until it answers."""
        if self.process is not None:
            return
        self.process = subprocess.Popen(
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end = time.monotonic() + START_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=0.2).close()
            except OSError:
                if self.process.poll() is not None or time.monotonic() > end:
                    raise
                time.sleep(0.01)
            else:
                return

    def kill(self) -> None:
        """End the process at once, without a goodbye to anybody."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def freeze(self) -> None:
        """Stop the process in its tracks: its sockets stay open and nobody answers."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let a frozen process go on."""
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)
