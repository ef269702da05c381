"""The stage of a simulation: the real roles around invented water, in lock-step time.

Node, engine and broker are the ones that run on a Pi; only what lies beyond the pins is invented.
A role that a fault is going to kill or freeze runs as a process of its own, under a stand-in for
the service manager; everything else shares this process. The verdict is drawn from the record that
the program kept and from the world's own account, which knows nothing of the rules.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import signal
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from monitor.app import Surroundings, engine_of, guest_link, node_of, plan_of
from monitor.config import Config, Station
from monitor.core.exchange import AlarmNotice, Presence, Reply, Request, Status
from monitor.core.phases import Phase
from monitor.engine import Engine
from monitor.errors import BrimwatchError, ConfigError, LinkError
from monitor.journal.reader import JournalReader
from monitor.journal.writer import JournalWriter
from monitor.link.broker import EmbeddedBroker
from monitor.node import Node
from monitor.ports import Link
from monitor.simulate.conductor import Conductor, RemoteBench
from monitor.simulate.faults import Acts, Story, fault
from monitor.simulate.fitting import checked_fault
from monitor.simulate.lockstep import running
from monitor.simulate.pins import SimFactory
from monitor.simulate.plant import Plant
from monitor.simulate.relay import Relay
from monitor.simulate.supervisor import Service, Supervisor
from monitor.simulate.world import LocalBench, World
from monitor.stage.devices import desk_of, plugged
from monitor.stage.script import (
    LONGEST_S,
    ROLE_FAULTS,
    Script,
    memory_folder,
    rig_of,
    simulated,
    story_of,
    wiring_of,
)
from monitor.stage.verdict import verdict_of

TICK_S = 0.25
AFTER_DONE_S = 2.0
AFTER_STOP_S = 30.0
NOTED_S = 2.0  # until what was noted is known
READY_S = 30.0  # roles that are not there by then will not come
BROKER_RESTART_S = 5.0
ENDED = ("done", "stopped")


@dataclass(slots=True)
class _Seen:
    """What the onlooker at the broker has seen."""

    status: dict[str, Any] = field(default_factory=dict)
    present: set[str] = field(default_factory=set)
    reply: Reply | None = None
    alarms: list[str] = field(default_factory=list)
    refused: str = ""


class Stage:
    """One simulation. `play` runs it inside a lock-step loop and returns the verdict."""

    def __init__(self, script: Script) -> None:
        """Keep the script.

        Raises:
            ConfigError: its fault is none, or means nothing at its station.
        """
        if script.fault is not None:
            checked_fault(script.config.stations[script.station], script.fault)
        self._script = script
        self._seen = _Seen()
        self._stop = asyncio.Event()
        self._engine: Engine | None = None
        self._node: Node | None = None
        self._relay: Relay | None = None
        self._broker: subprocess.Popen[bytes] | None = None
        self._broker_port = 0
        self._desk: AsyncExitStack | None = None
        self._ended_s: float | None = None
        # In a record that is kept no two runs may share a fill's identity, whatever their seed.
        kept = script.journal is not None
        self._ids = random.SystemRandom() if kept else random.Random(f"ids {script.seed}")
        self._supervisors: dict[str, Supervisor] = {}
        self._pending: set[asyncio.Task[None]] = set()
        self.world: World

    async def play(self) -> dict[str, Any]:
        """Play the script to its end and return the verdict as plain JSON values."""
        script = self._script
        loop = running()
        self._clock, self._ledger = loop.clock, loop.governor.ledger  # type: ignore[attr-defined]
        async with AsyncExitStack() as stack:
            own = tempfile.TemporaryDirectory(prefix="brimwatch-", dir=memory_folder())
            folder = Path(stack.enter_context(own))
            self._journal = script.journal or folder / "record.db"
            config = simulated(script.config, folder / "w1")
            station = config.stations[script.station]
            url = await stack.enter_async_context(self._brokered())
            self._world(station, folder / "w1")
            await self._furnish(stack, station, url)
            await self._raise(stack, config, station, url)
            # Nobody reads the status of a quiet run whose engine can be asked directly.
            looks = self._engine is None or not script.quiet
            guest = guest_link(station.id, self._around(url), status=looks)
            await stack.enter_async_context(guest)
            stack.push_async_callback(self._dismiss)
            listener = asyncio.create_task(self._listen(guest), name="stage-listener")
            self._pending.add(listener)
            water = asyncio.create_task(self._run_water(), name="stage-water")
            self._pending.add(water)
            await self._direct(guest, station)
            self._stop.set()
            await self._dismiss()
            return await asyncio.to_thread(self._verdict)

    async def _dismiss(self) -> None:
        """End every task and process of the stage."""
        self._stop.set()
        for supervisor in self._supervisors.values():
            supervisor.close()
        await asyncio.sleep(0)
        tasks = [task for task in self._pending if not task.get_name().startswith("role-")]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*self._pending, return_exceptions=True)
        self._pending.clear()

    # --- what there is ---

    def _new_id(self) -> str:
        return f"{self._ids.getrandbits(48):012x}"

    def _around(self, url: str) -> Surroundings:
        return Surroundings(
            url=url,
            clock=self._clock,
            ledger=self._ledger,
            keepalive_s=0,
            new_id=self._new_id,
            simulated=True,
        )

    def _world(self, station: Station, w1_root: Path) -> None:
        script = self._script
        wiring = wiring_of(station)
        self._pins = SimFactory(self._clock.now_s, on_output=self._on_output)
        rest_high = wiring.rest_high
        if ROLE_FAULTS.get(script.fault or "") == "node":
            bench: Any = RemoteBench(
                self._conductor(), rest_high=rest_high, on_output=self._on_output
            )
            self._bench: RemoteBench | None = bench
        else:
            self._bench = None
            bench = LocalBench(self._pins, rest_high=rest_high)
        rig = rig_of(station, script)
        plant = Plant(rig, seed=script.seed, start_s=self._clock.now_s())
        self.world = World(
            plant, bench, wiring, w1_root, script.seed, on_fault=self._on_fault
        )
        if script.fault is not None:
            self.world.inject(script.fault, at_s=script.fault_at_s)

    async def _furnish(self, stack: AsyncExitStack, station: Station, url: str) -> None:
        """Put on the network what the roles expect to find there."""
        around = self._around(url)
        for plug in await plugged(stack, station, self.world, around):
            self._start(plug.run(), f"stage-plug-{plug.plug}")
        if station.desk != "ignore":
            self._desk = await stack.enter_async_context(AsyncExitStack())
            await desk_of(self._desk, station, around)

    def _conductor(self) -> Conductor:
        governor = running().governor
        if not isinstance(governor, Conductor):
            raise ConfigError("this fault needs a conductor", fix="use stage.governor_for")
        return governor

    async def _raise(
        self, stack: AsyncExitStack, config: Config, station: Station, url: str
    ) -> None:
        """Start the roles, here or in a process of their own."""
        script = self._script
        apart = ROLE_FAULTS.get(script.fault or "")
        kwargs = {
            "text": script.text,
            "station": station.id,
            "url": url,
            "w1_root": config.hardware.w1_root,
            "journal": str(self._journal),
            "seed": script.seed,
            "verbose": script.verbose,
        }
        around = self._around(url)
        self.world.advance(self._clock.now_s())
        if apart == "node":
            self._supervise("node", "monitor.stage.children:node_role", kwargs, self._bench)
        else:
            node_url = self._relay.url if self._relay is not None else url
            self._node = node_of(config, station, self._pins, replace(around, url=node_url))
            self._start(self._node.run(self._stop), "role-node")
        if apart == "engine":
            self._supervise("engine", "monitor.stage.children:engine_role", kwargs, None)
        else:
            writer = JournalWriter(self._journal, wall=self._clock.wall)
            stack.push_async_callback(writer.aclose)
            engine_url = url
            if self._relay is not None and script.fault == "broker-killed":
                engine_url = self._relay.url
            self._engine = engine_of(station, replace(around, url=engine_url), writer)
            self._writer = writer
            self._start(self._engine.run(self._stop), "role-engine")

    def _start(self, work: Any, name: str) -> None:
        self._pending.add(asyncio.create_task(work, name=name))

    def _supervise(
        self, name: str, role: str, kwargs: dict[str, Any], bench: RemoteBench | None
    ) -> None:
        service = Service(name=name, role=role, kwargs=kwargs, bench=bench, watchdog_s=3.0)
        supervisor = Supervisor(self._conductor(), service, on_event=self._on_service(name))
        self._supervisors[name] = supervisor
        supervisor.start()

    def _on_service(self, name: str) -> Callable[[float, str], None]:
        def told(at_s: float, word: str) -> None:
            self._note(f"service manager: {name} {word}")

        return told

    @contextlib.asynccontextmanager
    async def _brokered(self) -> AsyncIterator[str]:
        """Have a broker: our own in this process, our own in another, or a given one."""
        script = self._script
        async with AsyncExitStack() as stack:
            url = script.broker_url
            killed = script.fault == "broker-killed"
            if url is None and killed:
                self._broker = await asyncio.to_thread(self._spawn_broker, 0)
                stack.callback(self._end_broker)
                url = f"mqtt://127.0.0.1:{self._broker_port}"
            elif url is None:
                broker = EmbeddedBroker(port=script.port, patient=True)
                url = (await stack.enter_async_context(broker)).url
            foreign = killed and script.broker_url is not None and script.broker_pid is None
            if foreign or script.fault == "network-cut":
                parts = urlsplit(url)
                relay = Relay(parts.hostname or "127.0.0.1", parts.port or 1883)
                self._relay = await stack.enter_async_context(relay)
            yield url

    def _spawn_broker(self, port: int) -> subprocess.Popen[bytes]:
        """Start our broker as a process, and wait until it says its port."""
        broker = subprocess.Popen(  # noqa: S603 - our own module in our own interpreter
            [sys.executable, "-m", "monitor.link.broker", "--port", str(port)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p or "." for p in sys.path)},
        )
        said = broker.stdout.readline() if broker.stdout is not None else b""
        if not said.strip().isdigit():
            broker.kill()
            raise LinkError("the broker could not be started as a process", where=f"port {port}")
        self._broker_port = int(said)
        return broker

    def _end_broker(self) -> None:
        if self._broker is not None:
            self._broker.kill()
            self._broker.wait()
            if self._broker.stdout is not None:
                self._broker.stdout.close()

    # --- what happens ---

    async def _run_water(self) -> None:
        """Let the water run. It moves at every tick and at every change of an output."""
        drain = self._script.config.stations[self._script.station].drain
        while True:
            self.world.advance(self._clock.now_s())
            if drain is not None and drain.by == "hose":
                self.world.hang_hose(self._phase() == Phase.DRAINING)
            await asyncio.sleep(TICK_S)

    def _phase(self) -> str:
        """Return the station's phase, from the engine itself where it is in this process."""
        if self._engine is not None:
            return self._engine.state.phase.value
        return str(self._seen.status.get("phase", ""))

    def _check_roles(self) -> None:
        """Raise what ended a role of this process: no verdict hides a broken program."""
        for task in self._pending:
            if task.get_name().startswith("role-") and task.done() and not task.cancelled():
                task.result()

    def _on_output(self, pin: int, level: bool | None, at_s: float) -> None:
        """Move the water exactly when an output changes; pins let go at the very end are late."""
        with contextlib.suppress(RuntimeError):
            loop = asyncio.get_running_loop()
            loop.call_soon(lambda: self.world.advance(self._clock.now_s()))

    def _on_fault(self, name: str, at_s: float) -> None:
        """Put in what is not water: faults of processes and of the link."""
        self._note(f"fault put in: {name} ({fault(name).line})")
        acts = fault(name).acts
        if acts in (Acts.PROCESS, Acts.LINK):
            asyncio.get_running_loop().call_soon(self._inflict, name)

    def _inflict(self, name: str) -> None:
        role = ROLE_FAULTS.get(name)
        if role is not None:
            child = self._supervisors[role].child
            if child is not None:
                strike = self._conductor().kill if name.endswith("killed") else None
                (strike or self._conductor().freeze)(child)
        elif name == "broker-killed":
            self._kill_broker()
        elif name == "desk-killed" and self._desk is not None:
            # To the engine a client's goodbye and the broker's word of its death are the same.
            self._start(self._desk.aclose(), "stage-desk")
        elif name == "network-cut" and self._relay is not None and self._node is not None:
            self._relay.cut()
            self._ledger.broker_down()  # what is sent into a cut cable is not waited for

    def _kill_broker(self) -> None:
        self._ledger.broker_down()
        if self._broker is not None:
            self._end_broker()
            task = asyncio.create_task(self._restart_broker(), name="stage-broker")
            self._pending.add(task)
        elif self._script.broker_pid is not None:
            os.kill(self._script.broker_pid, signal.SIGKILL)
        elif self._relay is not None:
            self._note("the given broker is not ours to kill: every connection to it is cut")
            self._relay.drop()

    async def _restart_broker(self) -> None:
        await asyncio.sleep(BROKER_RESTART_S)
        self._broker = await asyncio.to_thread(self._spawn_broker, self._broker_port)
        self._note("service manager: broker started anew")
        self._ledger.broker_up()

    def _note(self, text: str) -> None:
        self._script.on_note(text)

    # --- who looks on ---

    async def _listen(self, guest: Link) -> None:
        """See what people would see."""
        async for incoming in guest.incoming():
            match incoming.message:
                case Status() as status:
                    self._seen.status = status.data
                    self._script.on_status(status.data)
                    self._watch_end(status.data.get("phase", ""))
                case AlarmNotice() as notice:
                    self._alarm(notice.data)
                case Presence() as presence:
                    act = self._seen.present.add if presence.online else self._seen.present.discard
                    act(presence.role)
                case Reply() as reply:
                    self._seen.reply = reply
                case _:
                    pass

    def _alarm(self, data: dict[str, Any]) -> None:
        if "refused" in data:
            self._seen.refused = str(data["refused"])
            return
        if data.get("state") == "B":
            self._seen.alarms.append(str(data.get("id")))
            if data.get("severity") == "top":
                self.world.call_person(self._clock.now_s())
        self._script.on_alarm(data)

    def _watch_end(self, phase: str) -> None:
        if phase in ENDED and self._ended_s is None:
            self._ended_s = self._clock.now_s()

    async def _direct(self, guest: Link, station: Station) -> None:
        """Ask for a fill and wait for its end, and a while longer to see what the water does."""
        script = self._script
        ready_s = self._clock.now_s() + READY_S
        while self._clock.now_s() < ready_s and not self._ready():  # noqa: ASYNC110 - simulated
            await asyncio.sleep(TICK_S)
        self._check_roles()
        for note in self._notes(station):
            guest.send(note)
        await asyncio.sleep(NOTED_S)
        request = self._request(station)
        guest.send(request)
        limit_s = self._clock.now_s() + LONGEST_S
        while self._clock.now_s() < limit_s:
            await asyncio.sleep(TICK_S)
            self._check_roles()
            reply = self._seen.reply
            answered = reply is not None and reply.id == request.id
            if answered and reply is not None and not reply.ok:
                self._seen.refused = reply.text
            if self._seen.refused:
                break
            self._watch_end(self._phase())
            if self._ended_s is not None and self._over():
                break
        self._script.on_verdict(await asyncio.to_thread(self._verdict))
        if not script.once:
            await asyncio.Event().wait()

    def _notes(self, station: Station) -> list[Request]:
        """Return what people note before they leave a fill alone: all is invented, and proven."""
        proofs = [{"what": "proof", "part": part} for part in plan_of(station).proven]
        others = [{"what": "people"}] if station.people_check else []
        if station.filter is not None:
            others.append({"what": "cartridge"})
        return [
            Request(station.id, self._new_id(), "note", "simulation", dict(args))
            for args in (*proofs, *others)
        ]

    def _request(self, station: Station) -> Request:
        """Return what is asked for: a fill, or a drain down to the low mark."""
        litres = self._script.litres
        args: dict[str, Any] = {} if litres is None else {"litres": litres}
        verb = story_of(self._script).value
        if verb == Story.FILL:
            args.setdefault("litres", self.world.plant.rig.need_l)
        return Request(station.id, self._new_id(), verb, "simulation", args)

    def _ready(self) -> bool:
        """Say whether both roles are here and the engine hears the node."""
        if self._engine is not None:
            heard = bool(self._engine.state.senses.tracks)
        else:
            heard = bool(self._seen.status.get("sensors"))
        return heard and {"node", "engine"} <= self._seen.present

    def _over(self) -> bool:
        """Say whether nothing more will happen."""
        since_s = self._clock.now_s() - (self._ended_s or 0.0)
        watch_s = AFTER_DONE_S if self._phase() == Phase.DONE else AFTER_STOP_S
        if self._script.fault is not None:
            watch_s = max(watch_s, fault(self._script.fault).linger_s)
        if since_s < watch_s:
            return False
        plant = self.world.plant
        draining = story_of(self._script) is Story.DRAIN and plant.house.drain_lpm != 0.0
        return plant.inflow_lpm == 0.0 and not draining

    # --- the verdict ---

    def _verdict(self) -> dict[str, Any]:
        """Read the program's own record, and set it beside the world's account."""
        script = self._script
        if self._engine is not None:
            self._writer.flush()
        record, kept = None, []
        with contextlib.suppress(BrimwatchError), JournalReader(self._journal) as reader:
            record = reader.fill("last")
            kept = [row.rule for row in reversed(reader.alarms(fill=record.id))]
        head = {"station": script.station, "seed": script.seed, "fault": script.fault}
        alarms = list(dict.fromkeys([*kept, *self._seen.alarms]))
        return verdict_of(head, record, alarms, self.world.truth, self._seen.refused)
