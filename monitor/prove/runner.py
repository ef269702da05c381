"""The guided proof tests: show a step, wait for the real edge, time it, note what has passed.

Times come from the node's own clock where both ends of a span are its own; where the engine's
knowledge is the end, the way of the message is in it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol, TypeVar

from monitor.config import Flow, Station
from monitor.core.exchange import GuardReport
from monitor.core.phases import Phase
from monitor.errors import LinkError
from monitor.prove.onlooker import Onlooker, Seen
from monitor.prove.opening import AT_REST, Opening, ProofFailedError, calm
from monitor.prove.steps import DRILL_L, FEW_L, HANDS_S, RISE_C, Act, Proof, Step

TOLD_S: Final = 1.0  # from an edge to the engine's knowledge, and to a relay that is let go
LATE_S: Final = 10.0  # a question is asked again until then before anything counts as missing
TRICKLE_L: Final = 0.1  # more than this through a shut stopcock is water
GONE: Final = frozenset({"C01", "C02", "C03", "C04", "C05", "C06", "C08"})
"""Causes that name a program or a network that has gone."""

T = TypeVar("T")
Times = dict[str, float]


class Person(Protocol):
    """Who does it: shown what to do, asked for what only eyes and ears can tell."""

    def show(self, proof: Proof, step: Step) -> None:
        """Show a step: do, expect, otherwise."""

    async def ready(self) -> None:
        """Wait until the person says that all is as the step asks for."""

    def now(self, text: str) -> None:
        """Say what to do this very moment."""

    async def saw(self, question: str) -> bool:
        """Ask what was seen or heard."""


@dataclass(frozen=True, slots=True)
class Result:
    """How a proof ended. `text` is why it failed, or what was noted; times are seconds, litres or
    °C by the ending of their name.
    """

    part: str
    passed: bool
    text: str
    noted: bool = False
    simulated: bool = False
    times: Mapping[str, float] = field(default_factory=dict)


class Runner:
    """Runs proofs at one station, one after the other."""

    def __init__(self, *, look: Onlooker, station: Station, person: Person) -> None:
        """Keep the parts."""
        self._look, self._station, self._person = look, station, person
        self._limits = station.limits
        self._meter, flow = next(iter(station.fitted(Flow).items()))
        self._trickle = TRICKLE_L * flow.pulses_per_litre
        self._acts: dict[Act, Callable[[Step], Awaitable[Times]]] = {
            Act.CONTACT: self._contact,
            Act.WARMTH: self._warmth,
            Act.DRY: self._dry,
            Act.WET: self._wet,
            Act.GUARD: self._guard,
            Act.KILL: self._kill,
            Act.CUT: self._cut,
            Act.PEOPLE: self._people,
        }

    async def prove(self, proof: Proof) -> Result:
        """Run all steps of a proof, and note it once all of them have passed."""
        times: Times = {}
        try:
            await self._at_rest()
            for step in proof.steps:
                self._person.show(proof, step)
                times |= await self._acts[step.act](step)
            text = await self._note(proof)
        except (ProofFailedError, LinkError) as error:
            return Result(proof.part, False, str(error), simulated=self._simulated, times=times)
        return Result(proof.part, True, text, bool(proof.notes), self._simulated, times)

    @property
    def _simulated(self) -> bool:
        return self._look.status.get("simulated") is True

    async def _at_rest(self) -> None:
        """See that nothing is going on, and that the node is heard."""
        data = (await self._look.ask("status")).data
        if data.get("phase") not in AT_REST:
            raise ProofFailedError(f"the station is not at rest: {data.get('sentence')}")
        await self._until(lambda: self._look.last, LATE_S, "the node is not heard")

    async def _note(self, proof: Proof) -> str:
        """Have the engine note the proof. Its pre-fill check asks for nothing else."""
        if not proof.notes:
            return "passed; nothing to note"
        reply = await self._look.ask("note", **proof.notes)
        if not reply.ok:
            raise ProofFailedError(f"it passed, and was not noted: {reply.text}")
        return reply.text

    async def _until(self, look: Callable[[], T | None], within_s: float, otherwise: str) -> T:
        try:
            return await self._look.until(look, within_s)
        except TimeoutError:
            raise ProofFailedError(f"not seen within {within_s:.0f} s: {otherwise}") from None

    async def _told(
        self, look: Callable[[dict[str, Any]], T | None], within_s: float, otherwise: str
    ) -> T:
        try:
            return await self._look.told(look, within_s)
        except TimeoutError:
            said = str(self._look.status.get("sentence", "nothing"))
            raise ProofFailedError(f"the engine says otherwise ({said}): {otherwise}") from None

    async def _saw(self, step: Step) -> None:
        if step.asks and not await self._person.saw(step.asks):
            raise ProofFailedError(f"a person has not seen it: {step.otherwise}")

    # --- without water ---

    async def _contact(self, step: Step) -> Times:
        """A float or a probe: pin, node, broker, engine, and its alarm where there is one."""
        look, trips = self._look, step.value > 0.0
        if trips:
            look.alarms.clear()
            if look.value(step.part) == step.value:
                why = f"{step.part} reads so before it is touched"
                raise ProofFailedError(f"{why}: {step.otherwise}")
        seen = await self._until(lambda: self._turned(step), step.within_s, step.otherwise)
        await self._told(lambda data: self._known(data, step), LATE_S, step.otherwise)
        told_s = self._age_s(seen, step.part)
        if step.alarm:
            await self._until(lambda: self._alarmed(step.alarm), LATE_S, f"no alarm {step.alarm}")
        if not trips:
            if look.alarms:  # raised by the test: they are let go with it
                await look.ask("reset")
            await calm(look)
            return {"released_known_s": told_s}
        if told_s > TOLD_S:
            raise ProofFailedError(f"the engine knew after {told_s:.1f} s: {step.otherwise}")
        return {"tripped_known_s": told_s}

    def _turned(self, step: Step) -> Seen | None:
        """Return the first pack, of those at the end, in which the contact is as it should be."""
        first = None
        for seen in reversed(self._look.packs):
            sample = seen.sample(step.part)
            if sample is None or sample.value != step.value:
                break
            first = seen
        return first

    def _age_s(self, seen: Seen, sensor: str) -> float:
        """Return how long ago a reading became true: until it left the node, and since it came."""
        sample = seen.sample(sensor)
        at_s = sample.at_s if sample is not None else seen.pack.uptime_s
        return max(0.0, seen.pack.uptime_s - at_s) + self._look.now_s() - seen.arrived_s

    @staticmethod
    def _known(data: dict[str, Any], step: Step) -> bool | None:
        told = data.get("sensors", {}).get(step.part, {})
        return True if told.get("value") == step.value else None

    def _alarmed(self, hazard: str) -> bool | None:
        raised = any(a.get("id") == hazard and a.get("active") for a in self._look.alarms)
        return True if raised else None

    async def _warmth(self, step: Step) -> Times:
        """A thermometer in a warm hand."""
        look = self._look
        from_c = await self._until(lambda: look.value(step.part), LATE_S, step.otherwise)
        began_s = look.now_s()

        def risen() -> float | None:
            now_c = look.value(step.part)
            return now_c if now_c is not None and now_c >= from_c + RISE_C else None

        to_c = await self._until(risen, step.within_s, step.otherwise)
        return {"rose_c": to_c - from_c, "after_s": look.now_s() - began_s}

    async def _people(self, step: Step) -> Times:
        await self._saw(step)
        return {}

    # --- the valve ---

    async def _dry(self, step: Step) -> Times:
        """No water behind the valve: it opens, the engine waits for flow in vain, it shuts."""
        await self._person.ready()
        limits = self._limits
        within_s = limits.no_flow_bound_s + self._station.valve.closing_s + LATE_S
        async with Opening(self._look, FEW_L) as opening:

            def no_water() -> None:
                if opening.pulses(self._meter) > self._trickle:
                    raise ProofFailedError("water flows: the stopcock is not shut, or not tight")

            shut = await self._shut(opening, within_s, step, no_water)
            await self._told(_in_phase(Phase.HOLDING, {"W15"}), LATE_S, step.otherwise)
        await self._saw(step)
        await calm(self._look)
        return {"open_dry_s": shut.uptime_s - opening.opened.uptime_s}

    async def _wet(self, step: Step) -> Times:
        """A few litres by the meter, and then stillness."""
        await self._person.ready()
        valve = self._station.valve
        most_s = FEW_L / self._limits.flow_floor_lpm * 60.0 + LATE_S
        async with Opening(self._look, FEW_L) as opening:
            shut = await self._shut(opening, most_s, step)
            if opening.pulses(self._meter) <= self._trickle:
                raise ProofFailedError(f"no water came: {step.otherwise}")
            settled_s = self._limits.settle_s + LATE_S
            await self._told(_in_phase(Phase.DONE), settled_s, step.otherwise)
        moved_s = self._last_moved_s(opening)
        closed_s = max(0.0, moved_s - shut.uptime_s)
        if closed_s > valve.closing_s + self._limits.shut_grace_s:
            raise ProofFailedError(f"water ran on for {closed_s:.1f} s: {step.otherwise}")
        await self._saw(step)
        return {
            "wet_l": float(self._look.status["fill"]["delivered_l"]),
            "open_wet_s": shut.uptime_s - opening.opened.uptime_s,
            "ran_on_s": closed_s,
        }

    async def _shut(
        self,
        opening: Opening,
        within_s: float,
        step: Step,
        watch: Callable[[], None] = lambda: None,
    ) -> GuardReport:
        try:
            return await opening.shut(within_s, watch)
        except TimeoutError:
            raise ProofFailedError(
                f"the valve was not told to shut within {within_s:.0f} s: {step.otherwise}"
            ) from None

    def _last_moved_s(self, opening: Opening) -> float:
        """Return the node's second at which the meter's count was last seen to have grown."""
        moved_s, last = opening.opened.uptime_s, None
        for at_s, count in opening.counts(self._meter):
            if last is not None and count > last:
                moved_s = at_s
            last = count
        return moved_s

    # --- drills, with water ---

    async def _guard(self, step: Step) -> Times:
        """A wet probe shuts beside the valve, and the node says so itself."""
        await self._person.ready()
        look = self._look
        async with Opening(look, DRILL_L) as opening:
            self._person.now(step.now)
            shut = await self._shut(opening, HANDS_S, step)
        if shut.cause != "W06":
            raise ProofFailedError(f"the valve was shut, and not by the probe ({shut.cause})")
        wet = await self._until(lambda: self._wetted(opening, step.part), LATE_S, step.otherwise)
        await self._saw(step)
        self._person.now(step.then)
        await self._until(
            lambda: True if look.value(step.part) == 0.0 else None, step.within_s, step.otherwise
        )
        await calm(look)
        shut_s = shut.uptime_s - wet
        if shut_s > TOLD_S:
            raise ProofFailedError(f"the relay was let go after {shut_s:.1f} s: {step.otherwise}")
        return {"probe_to_relay_s": shut_s}

    def _wetted(self, opening: Opening, probe: str) -> float | None:
        """Return the node's second at which the probe became wet."""
        for seen in opening.heard():
            sample = seen.sample(probe)
            if sample is not None and sample.value == 1.0:
                return sample.at_s
        return None

    async def _kill(self, step: Step) -> Times:
        """The program at the pins dies: the engine knows, and nothing opens again by itself."""
        await self._person.ready()
        look = self._look
        async with Opening(look, DRILL_L) as opening:
            self._person.now(step.now)
            await self._told(_in_phase(Phase.STOPPED, GONE), HANDS_S, step.otherwise)
            last = opening.last()
            knew_s = look.now_s() - last.arrived_s
        await self._saw(step)
        self._person.now(step.then)
        back = await self._until(
            lambda: self._back(opening.opened.boot), HANDS_S, "the program did not come back"
        )
        if back.pack.valve_open:
            raise ProofFailedError(f"the valve is open again: {step.otherwise}")
        await calm(look)
        return {"engine_knew_s": knew_s, "back_s": back.arrived_s - last.arrived_s}

    def _back(self, boot: str) -> Seen | None:
        last = self._look.last
        return last if last is not None and last.pack.boot != boot else None

    async def _cut(self, step: Step) -> Times:
        """The network goes: the guard's own word says afterwards that it shut by itself, and why.
        How soon only eyes can tell: what the node says of that moment is lost with the network.
        """
        await self._person.ready()
        look = self._look
        async with Opening(look, DRILL_L) as opening:
            self._person.now(step.now)
            await self._told(_in_phase(Phase.STOPPED, GONE), HANDS_S, step.otherwise)
            knew_s = look.now_s() - opening.last().arrived_s
        await self._saw(step)
        self._person.now(step.then)
        shut = await self._shut(opening, HANDS_S, step)
        if shut.boot != opening.opened.boot:
            raise ProofFailedError("the node was started anew meanwhile: try again")
        if shut.cause not in GONE:
            raise ProofFailedError(f"the valve was shut, and not by silence ({shut.cause})")
        await calm(look)
        return {"engine_knew_s": knew_s}


def _in_phase(
    phase: Phase, causes: frozenset[str] | set[str] = frozenset()
) -> Callable[[dict[str, Any]], bool | None]:
    """Return what looks for a phase in a status, and for one of the causes if any are given."""

    def look(data: dict[str, Any]) -> bool | None:
        fits = data.get("phase") == phase.value and (not causes or data.get("cause") in causes)
        return True if fits else None

    return look
