"""Everything in one program: how soon after its start it watches, and how much memory it takes.

    python tests/bench/footprint.py [--rounds 10] [--settle 5] [--json]

`brimwatch run` is started as a service manager starts it, on mock pins, with its own broker and a
new record. *Ready* is when node and engine have said READY=1; *armed* is when the engine, asked
over the broker by a guest who comes then, first tells of a reading: from then on a fill can be
asked for. Both count from just before the process is made. Modules are compiled beforehand, as an
installer does, into a folder that outlives the starts. Memory is the resident set the kernel
reports.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from figures import ROOT, load_average, table, tell

from monitor.app import Surroundings, guest_link, new_id
from monitor.cli.common import sample_text
from monitor.clock import MonotonicClock
from monitor.core.exchange import Reply, Request
from monitor.link.mqtt import MqttLink
from monitor.logs import configure

AIM_START_S = 0.5
AIM_RSS_MB = 60.0
PATIENCE_S = 20.0
ASK_S = 0.005
STATION = "river"
ROLES = 2  # node and engine each say READY=1


def _config(folder: Path, port: int) -> Path:
    text = sample_text()
    for old, new in (
        ("port = 18830", f"port = {port}"),
        ('path = "brimwatch.db"', f'path = "{folder / "record.db"}"'),
        ('pins = "auto"', 'pins = "mock"'),
        ('w1_root = "/sys/bus/w1/devices"', f'w1_root = "{folder}"'),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    file = folder / "bench.toml"
    file.write_text(text)
    return file


def _environment(folder: Path) -> dict[str, str]:
    kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    compiled = Path(tempfile.gettempdir(), f"brimwatch-bench-{os.getuid()}")
    return {
        **kept,
        "NOTIFY_SOCKET": str(folder / "notify"),
        "PYTHONPYCACHEPREFIX": str(compiled),
        "PYTHONPATH": str(ROOT),
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def _cpu_s(pid: int) -> float:
    """Return the processor time of all threads; unlike the wall time it knows no neighbours."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    spent_ns = sum(int((task / "schedstat").read_text().split()[0]) for task in tasks)
    return round(spent_ns / 1e9, 3)


def _rss_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return round(int(line.split()[1]) / 1024, 1)
    raise ValueError(pid)


def once(settle_s: float) -> dict[str, Any]:
    """Start the program once; return when it was ready and armed, and its memory."""
    with (
        tempfile.TemporaryDirectory() as name,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear,
    ):
        folder, port = Path(name), _free_port()
        ear.bind(str(folder / "notify"))
        ear.settimeout(PATIENCE_S)
        config = _config(folder, port)
        began_s = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "run", "--config", str(config)],
            env=_environment(folder),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            said = 0
            while said < ROLES:
                said += ear.recv(4096) == b"READY=1"
            ready_s = time.monotonic() - began_s
            armed_s = asyncio.run(_armed_s(port)) - began_s
            cpu_s = _cpu_s(process.pid)
            time.sleep(settle_s)
            rss_mb = _rss_mb(process.pid)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(PATIENCE_S)
    return {
        "ready_s": round(ready_s, 3),
        "armed_s": round(armed_s, 3),
        "cpu_s": cpu_s,
        "rss_mb": rss_mb,
        "exit": process.returncode,
    }


async def _armed_s(port: int) -> float:
    """Return when the engine could tell of its first reading: asked every few milliseconds."""
    async with asyncio.timeout(PATIENCE_S), _guest(port) as guest:
        asking = asyncio.create_task(_ask(guest))
        async for incoming in guest.incoming():
            reply = incoming.message
            if isinstance(reply, Reply) and reply.data.get("leak_wet") is not None:
                asking.cancel()
                return time.monotonic()
    raise AssertionError


def _guest(port: int) -> MqttLink:
    around = Surroundings(url=f"mqtt://127.0.0.1:{port}", clock=MonotonicClock())
    return guest_link(STATION, around, status=False)


async def _ask(guest: MqttLink) -> None:
    while True:
        guest.send(Request(STATION, new_id(), "status", "bench"))
        await asyncio.sleep(ASK_S)


def measure(rounds: int, settle_s: float) -> dict[str, Any]:
    """Return every start's figures, their best and their median."""
    once(0.0)  # compiles what was never imported, as an installer does
    before = load_average()
    runs = [once(settle_s) for _ in range(rounds)]
    result: dict[str, Any] = {"bench": "footprint", "rounds": runs}
    for name in ("ready_s", "armed_s", "cpu_s", "rss_mb"):
        values = [run[name] for run in runs]
        result[name] = {"best": min(values), "median": round(statistics.median(values), 3)}
    return {**result, "load_before": before, "load_after": load_average()}


def report(result: dict[str, Any]) -> str:
    """Return the figures as text."""
    rows: list[list[object]] = [["brimwatch run, mock pins, own broker", "best", "median", "aim"]]
    for name, label, aim in (
        ("ready_s", "start to ready, s", AIM_START_S),
        ("armed_s", "start to armed, s", AIM_START_S),
        ("cpu_s", "processor time until armed, s", "-"),
        ("rss_mb", "resident memory, MB", AIM_RSS_MB),
    ):
        rows.append([label, result[name]["best"], result[name]["median"], aim])
    load = f"load average {result['load_before']} before, {result['load_after']} after"
    return f"{table(rows)}\n{load}"


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description="Cold start and memory of `brimwatch run`.")
    parser.add_argument("--rounds", type=int, default=10, help="starts")
    parser.add_argument("--settle", type=float, default=5.0, help="seconds before memory is read")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    configure(level="critical")
    result = measure(args.rounds, args.settle)
    tell(result, report(result), as_json=args.json)


if __name__ == "__main__":
    main()
