"""The roles as services, in real time, on mock pins: they start, tell the service manager that they
live, work together over a broker, and end when told.
"""

from __future__ import annotations

import signal
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from support.commands import Background, brimwatch, wait_until, write_config
from support.manager import Manager
from support.mosquitto import Mosquitto, find_mosquitto, free_port

READY_WITHIN_S = 15.0  # a busy machine starts Python slowly; nothing is promised here
WATCHDOG_WITHIN_S = 3.0  # what the service files ask for
END_WITHIN_S = 3.0
MOCK = {"hardware__pins": '"mock"'}


@pytest.fixture
def manager() -> Iterator[Manager]:
    with Manager() as manager:
        yield manager


def ends_well(run: Background, manager: Manager) -> None:
    """Tell a role to end as systemd does; it ends at once, cleanly, and says so."""
    assert "STOPPING=1" not in manager.heard
    done = run.end(signal.SIGTERM, within_s=END_WITHIN_S)
    assert done.code == 0
    wait_until(lambda: "STOPPING=1" in manager.heard, 1.0)


def test_everything_in_one_program_lives_and_ends(manager: Manager, tmp_path: Path) -> None:
    """Claim: `run` starts broker, node and engine, says READY for both roles, feeds the watchdog,
    answers people, refuses to fill while the mock float's loop is open, and ends on SIGTERM with
    exit code 0 within 3 s.
    """
    hasty = "6.0\n[station.river.limits]\ncheck_max_s = 4.0"
    config = write_config(tmp_path, broker__port=str(free_port()), **MOCK,
                          station__river__incoming__purge_l=hasty)  # fmt: skip
    args = ("--config", str(config))
    with Background("run", *args, cwd=tmp_path, env=manager.env) as run:
        manager.wait("READY=1", 2, within_s=READY_WITHIN_S)
        manager.wait("WATCHDOG=1", 4, within_s=2 * WATCHDOG_WITHIN_S)
        status = brimwatch("status", *args, "--json", cwd=tmp_path)
        assert (status.code, status.last["phase"]) == (0, "idle")
        assert status.last["valve_open"] is False
        assert status.last["simulated"] is True  # mock pins are no real ones, and it says so
        assert status.last["float_high"] is True  # nothing is plugged in: an open loop reads high
        refused = brimwatch("fill", *args, "--litres", "20", cwd=tmp_path)
        assert refused.code == 6
        assert "float" in refused.out
        ends_well(run, manager)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port_of(config)), timeout=2.0)


def port_of(config: Path) -> int:
    line = next(x for x in config.read_text().splitlines() if x.startswith("port ="))
    return int(line.partition("=")[2])


@pytest.mark.skipif(find_mosquitto() is None, reason="mosquitto is not installed")
def test_node_and_engine_apart_live_and_end(tmp_path: Path) -> None:
    """Claim: as two services over mosquitto, both say READY, both feed their watchdog, the engine
    hears the node and tells its end, and each ends on SIGTERM with exit code 0 within 3 s.
    """
    with Mosquitto() as broker, Manager() as node_ear, Manager() as engine_ear, ExitStack() as all_:
        config = write_config(tmp_path, url=broker.url, **MOCK)
        args = ("--config", str(config))
        engine = all_.enter_context(Background("engine", *args, cwd=tmp_path, env=engine_ear.env))
        node = all_.enter_context(Background("node", *args, cwd=tmp_path, env=node_ear.env))
        for ear in (engine_ear, node_ear):
            ear.wait("READY=1", within_s=READY_WITHIN_S)
            ear.wait("WATCHDOG=1", 2, within_s=2 * WATCHDOG_WITHIN_S)
        status = brimwatch("status", *args, "--json", cwd=tmp_path)
        assert status.last["float_high"] is True
        assert status.last["node_silent_s"] < 3.0
        ends_well(node, node_ear)
        with Background("follow", *args, cwd=tmp_path) as follow:
            follow.said("the node has gone")
            ends_well(engine, engine_ear)
            follow.said("the engine has gone")


@pytest.mark.skipif(find_mosquitto() is None, reason="mosquitto is not installed")
@pytest.mark.parametrize("role", ["node", "engine"])
def test_a_role_outlives_a_broker_that_is_not_there_yet(
    role: str, manager: Manager, tmp_path: Path
) -> None:
    """Claim: a service that starts before its broker waits for it, alive to its watchdog, and ends
    when told; it does not fail and need a restart.
    """
    port = free_port()
    config = write_config(tmp_path, url=f"mqtt://127.0.0.1:{port}", **MOCK)
    with Background(role, "--config", str(config), cwd=tmp_path, env=manager.env) as run:
        manager.wait("READY=1", within_s=READY_WITHIN_S)
        manager.wait("WATCHDOG=1", 2, within_s=2 * WATCHDOG_WITHIN_S)
        with Mosquitto(port=port):
            if role == "engine":
                ask = ("status", "--config", str(config), "--json")
                # It tries again every few seconds, and a request that nobody hears is lost.
                wait_until(lambda: brimwatch(*ask, cwd=tmp_path).code == 0, 20.0)
        ends_well(run, manager)
