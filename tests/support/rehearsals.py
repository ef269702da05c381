"""A station on simulated pins whose sensors a hand may touch: proof tests against the real roles.

Node, engine, broker and water are those of a simulation in lock-step time; instead of asking for a
fill, the stage runs what a test gives it. The hand holds pins against the water that drives them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.app import Surroundings, guest_link, plan_of
from monitor.cli.common import sample_text
from monitor.config import Config, Ds18b20, Flow, Leak, Station, loads
from monitor.prove.onlooker import Onlooker
from monitor.prove.runner import Result, Runner
from monitor.prove.steps import Act, Proof, Step, proofs_of
from monitor.simulate import lockstep
from monitor.simulate.bench import LocalBench
from monitor.stage import Script, Stage, governor_for

ROOT = Path(__file__).parents[2]
BY = "A.B."
TICK_S = 0.25
BEFORE_S = 2.0  # a person takes a moment
HAND_C = 33.0

Work = Callable[["Rehearsal", Station], Awaitable[None]]


class Hand(LocalBench):
    """Pins that the water drives, unless a hand holds them."""

    def __init__(self, inner: LocalBench, now_s: Callable[[], float]) -> None:
        super().__init__(inner._factory, rest_high=inner._rest_high)
        self._now_s = now_s
        self._held: dict[int, bool] = {}
        self._water: dict[int, bool] = {}

    def drive(self, pin: int, high: bool, at_s: float) -> None:
        self._water[pin] = high
        if pin not in self._held:
            super().drive(pin, high, at_s)

    def hold(self, pin: int, high: bool) -> None:
        """Hold a pin at a level, whatever the water does."""
        self._held[pin] = high
        super().drive(pin, high, self._now_s())

    def let_go(self, pin: int) -> None:
        """Give the pin back to the water."""
        del self._held[pin]
        super().drive(pin, self._water[pin], self._now_s())


class Rehearsal(Stage):
    """A stage on which a test acts. Nothing of it counts as proven before."""

    def __init__(self, script: Script, work: Work, meter_k: float | None = None) -> None:
        super().__init__(script)
        self._work = work
        self._url = ""
        self._meter_k = meter_k
        self.hand: Hand
        self.results: list[Result] = []

    def _around(self, url: str) -> Surroundings:
        self._url = url
        return replace(super()._around(url), proven=False)

    def _world(self, station: Station, w1_root: Path) -> None:
        super()._world(station, w1_root)
        if self._meter_k is not None:
            self.world.plant.fit_meter(self._meter_k)
        bench = self.world._bench
        if isinstance(bench, LocalBench):
            self.hand = Hand(bench, self._clock.now_s)
            self.world._bench = self.hand

    async def _direct(self, guest: Any, station: Station) -> None:
        while not self._ready():  # noqa: ASYNC110 - simulated
            await asyncio.sleep(TICK_S)
        await self._work(self, station)
        self._check_roles()

    @property
    def now_s(self) -> float:
        """Simulated seconds."""
        now_s: float = self._clock.now_s()
        return now_s

    def onlooker(self, station: Station) -> Onlooker:
        """Return someone who looks on, not yet entered."""
        link = guest_link(station.id, self._around(self._url), readings=True)
        return Onlooker(station=station.id, link=link, new_id=self._new_id, by=BY,
                        now_s=self._clock.now_s)  # fmt: skip


class Volunteer:
    """A person of the mind who does as the steps say, two seconds later; `refuses` is what he does
    not do, `denies` what he has not seen.
    """

    def __init__(self, stage: Rehearsal, station: Station, *, lazy: bool = False,
                 denies: bool = False) -> None:  # fmt: skip
        self._stage, self._station = stage, station
        self._lazy, self._denies = lazy, denies
        self._tasks: set[asyncio.Task[None]] = set()
        self._warm: asyncio.Task[None] | None = None
        self.shown: list[str] = []
        self.asked: list[str] = []
        self.told: list[str] = []

    def show(self, proof: Proof, step: Step) -> None:
        self.shown.append(step.do)
        self._prepare(step)

    def _prepare(self, step: Step) -> None:
        plant = self._stage.world.plant
        if self._lazy:
            return
        match step.act:
            case Act.CONTACT:
                self._later(lambda: self._touch(step.part, step.value > 0.0))
            case Act.WARMTH:
                self._warm = asyncio.create_task(self._hold_warm(step.part))
            case Act.DRY:
                plant.stopcock_open = False
            case _:
                plant.stopcock_open = True

    async def ready(self) -> None:
        await asyncio.sleep(BEFORE_S)

    def now(self, text: str) -> None:
        self.told.append(text)
        if self._lazy:
            return
        probe = next(iter(self._station.fitted(Leak)))
        if "WET THE PROBE" in text:
            self._later(lambda: self._touch(probe, True))
        elif "Dry the probe" in text:
            self._later(lambda: self._touch(probe, False))
        elif "PULL THE CABLE" in text:
            self._later(lambda: self._stage._inflict("network-cut"))
        elif "Put the cable back" in text:
            self._later(self._mend)
        elif "PRESS ENTER THERE" in text:
            self._later(lambda: self._stage._inflict("node-killed"))

    def _mend(self) -> None:
        assert self._stage._relay is not None
        self._stage._relay.mend()
        self._stage._ledger.broker_up()

    async def saw(self, question: str) -> bool:
        self.asked.append(question)
        return not self._denies

    def _later(self, act: Callable[[], None]) -> None:
        async def do() -> None:
            await asyncio.sleep(BEFORE_S)
            act()

        task = asyncio.create_task(do())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _touch(self, part: str, tripped: bool) -> None:
        """Lift or let go, wet or dry: the pin goes as the part's own wiring has it."""
        each = self._station.sensors[part]
        pin: int = each.pin  # type: ignore[union-attr]
        if not tripped:
            self._stage.hand.let_go(pin)
        elif isinstance(each, Leak):
            self._stage.hand.hold(pin, each.wet_when == "open")
        else:
            self._stage.hand.hold(pin, True)

    async def _hold_warm(self, part: str) -> None:
        world, each = self._stage.world, self._station.sensors[part]
        assert isinstance(each, Ds18b20)
        probe = world._probe if each.role == "incoming" else world._tank_probe
        assert probe is not None
        while True:
            await asyncio.sleep(TICK_S)
            probe.hang(HAND_C)

    def let_go(self) -> None:
        """Take the hand off the thermometer."""
        if self._warm is not None:
            self._warm.cancel()
            self._warm = None


def config_of(name: str = "river") -> Config:
    """Return one of the two sample configs."""
    text = sample_text()
    if name == "full":
        text = (ROOT / "monitor" / "simulate" / "full.toml").read_text()
    return loads(text, name)


def known(station: Station) -> dict[str, Proof]:
    """Return all proofs of a station by their part."""
    return {proof.part: proof for proof in proofs_of(station, plan_of(station).proven)}


def rehearse(work: Work, *, config: Config | None = None, fault: str | None = None,
             fault_at_s: float | None = None, litres: float = 60.0,
             journal: Path | None = None, meter_k: float | None = None
             ) -> dict[str, Any]:  # fmt: skip
    """Play it, in simulated time; the water is 60 L below the mark. `meter_k` is what the meter
    really gives, where that is not what the config says.
    """
    config = config or config_of()
    river = config.stations["river"]
    vessel = river.vessel
    area_m2 = 1.4
    script = Script(config=config, text=sample_text(), station="river", fault=fault,
                    fault_at_s=fault_at_s, start_level_m=vessel.mark_m - litres / 1000 / area_m2,
                    journal=journal, quiet=False)  # fmt: skip
    return lockstep.run(Rehearsal(script, work, meter_k).play(), governor=governor_for(fault, None))


async def prove(stage: Rehearsal, station: Station, *parts: str, person: Volunteer | None = None
                ) -> list[Result]:  # fmt: skip
    """Have a volunteer prove parts, one after the other, until one fails."""
    volunteer = person or Volunteer(stage, station)
    results = []
    async with stage.onlooker(station) as look:
        runner = Runner(look=look, station=station, person=volunteer)
        for part in parts:
            results.append(await runner.prove(known(station)[part]))
            volunteer.let_go()
            if not results[-1].passed:
                break
    return results


def meter_of(station: Station) -> tuple[str, Flow]:
    """Return the flow meter of a station."""
    return next(iter(station.fitted(Flow).items()))
