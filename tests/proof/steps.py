"""The core's own steps on keys: each distinct (state, input) is stepped, and judged, once.

`Stations` and `Guards` number the keys they meet. A step's outcome, the claims about it included,
depends on nothing but the key and the input, so that it may be looked up the next time the same
pair comes along in another surrounding. A failed claim raises `Broken`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import chain, combinations, product
from math import inf
from typing import Any, Final

from monitor.core import guard as guards
from monitor.core import station as stations
from monitor.core.events import (
    AskEcho,
    Asked,
    Echo,
    FillRefused,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    SendPermit,
    SendWithdraw,
    Tick,
    Told,
)
from monitor.core.exchange import (
    GuardReport,
    Permit,
    Presence,
    ReadingPack,
    Request,
    Withdraw,
)
from monitor.core.facts import VALVE, Facts
from monitor.core.guard import GuardInput, GuardState
from monitor.core.limits import Limits
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.plan import Plan, Station
from monitor.core.reading import Fault, Kind, Sample
from monitor.core.station import Result
from proof import claims
from proof.abstract import (
    BANDS_L,
    CHECK_PLAN,
    ENGINE_S,
    EPS_S,
    FITTED,
    LIMITS,
    NEED_L,
    NODE_S,
    PLAN,
    PULSES_PER_L,
    RESTING,
    SENSORS,
    SEQ,
    TEMPS_C,
    GuardKey,
    StationKey,
    facts_of,
    guard_key,
    guard_of,
    key_of,
    quarters,
    station_of,
)

Message = tuple[Any, ...]
"""What stands in a channel or goes into a step, as plain values; the first says which.

("pack", boot, seq, age, float, second float, leak, temp, flow, band, valve), and with a drain
besides (low float, storage float, sump float, drain);
("report", fill, cause), ("permit", fill, engine, seq, age, boot fits, way),
("withdraw", fill, engine, seq, resumable, way), ("echo",)
and for a station alone ("tick",), ("back",), ("linked", up), ("here", up, simulated),
("ask", verb, to mark, attended), ("told", proven, busy);
for a guard ("trip", cause), ("clear",), ("tick",), ("back",), ("fail", cause).
"""

UNREAD: Final = -1
KINDS: Final = {
    "leak": Kind.LEAK, "temp": Kind.TEMPERATURE, "flow": Kind.FLOW,
    **dict.fromkeys(("float", "over", *FITTED), Kind.FLOAT),
}  # fmt: skip
# Sequence numbers, as the taker stands: just made, not yet taken, last taken, older than that.
FRESH, NEWER, KNOWN, OLDER = SEQ + 2, SEQ + 1, SEQ, SEQ - 1


class Broken(Exception):  # noqa: N818 - a claim that is broken is a finding, not an error
    """A claim does not hold."""

    def __init__(self, claim: str, what: str) -> None:
        super().__init__(f"{claim}: {what}")
        self.claim = claim


@dataclass(frozen=True, slots=True)
class Core:
    """The functions under proof; a test plants its defects here or in the core's tables."""

    station_step: Callable[[Plan, Station, Given, float], Result] = stations.step
    guard_step: Callable[[GuardState, GuardInput, float, Limits], GuardState] = guards.step
    energised: Callable[[GuardState, float, Limits], bool] = guards.energised


def pack_of(message: Message, now_s: float, seq: int, first: int = 0) -> ReadingPack:
    """Return a real pack for a message. `first` is the pulse count at which its fill began."""
    _, boot, _, age, high, over, wet, temp, flow, band, valve, *fitted = message
    *switches, drain = fitted or (False,)
    at_s = now_s - ENGINE_S + NODE_S - age * EPS_S
    said = (high, over, wet, temp if temp == UNREAD else TEMPS_C[temp], flow, *switches)
    count = first + int(BANDS_L[band] * PULSES_PER_L)
    samples = tuple(
        Sample(sensor, KINDS[sensor], at_s, None, Fault.ERROR)
        if value == UNREAD
        else Sample(
            sensor, KINDS[sensor], at_s, float(value), None, count if sensor == "flow" else None
        )
        for sensor, value in zip((*SENSORS, *FITTED), said, strict=False)
    )
    return ReadingPack(PLAN.station, PLAN.node, boot, seq, at_s, samples, valve, drain_open=drain)


def given_of(message: Message, now_s: float, seq: int | None = None, first: int = 0) -> Given:
    """Return a real input of a station for a message."""
    match message[0]:
        case "pack":
            return Heard(pack_of(message, now_s, message[2] if seq is None else seq, first))
        case "report":
            at_s = now_s - ENGINE_S + NODE_S
            _, fill, cause = message
            said = GuardReport(PLAN.station, PLAN.node, "n", at_s, False, fill or None, cause)
            return Guarded(said)
        case "linked":
            return Linked(message[1])
        case "here":
            return Here(Presence(PLAN.station, "node", "n", message[1], message[2]))
        case "told":
            return Told(facts_of(message[1], message[2], now_s))
        case "echo":
            return Echo()
        case "ask":
            _, verb, to_mark, attended = message
            to = "mark" if to_mark else "litres"
            args = {"litres": NEED_L, "to": to, "attended": attended}
            return Asked(Request(PLAN.station, "r", verb, "keeper", args), "c")
        case _:
            return Tick()


def _sent(result: Result, node_s: float) -> tuple[Message, ...]:
    """Return what a station's step sent, as messages of the present engine."""
    out: list[Message] = []
    for action in result.actions:
        match action:
            case SendPermit(permit):
                age = quarters(node_s - permit.as_of_s)
                fits = permit.node_boot == "n"
                out.append(("permit", "c", "c", FRESH, age, fits, permit.way))
            case SendWithdraw(note):
                out.append(("withdraw", "c", "c", FRESH, note.resumable, note.way))
            case AskEcho():
                out.append(("echo",))
            case _:
                pass
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a station's step came to: the next state's number, what it sent, and what began."""

    state: int
    sent: tuple[Message, ...]
    took: int  # the sequence number last taken from the node
    past: bool  # the fill or drain known so far is an older one now
    begun: bool  # its first opening
    over: bool  # one that was under way is so no longer


@dataclass(slots=True)
class Stations:
    """Every station state met, by number, and every step taken from one."""

    core: Core = field(default_factory=Core)
    plan: Plan = PLAN
    ids: dict[StationKey, int] = field(default_factory=dict)
    keys: list[StationKey] = field(default_factory=list)
    states: list[Station] = field(default_factory=list)
    later: list[int] = field(default_factory=list)
    memo: dict[tuple[int, Message], Outcome] = field(default_factory=dict)

    def number(self, key: StationKey) -> int:
        """Return a key's number, a new one when it was never met."""
        number = self.ids.get(key)
        if number is None:
            number = self.ids[key] = len(self.keys)
            self.keys.append(key)
            self.states.append(station_of(key))
            self.later.append(-1)
        return number

    def aged(self, number: int) -> int:
        """Return the state one quarter later, with nothing done."""
        after = self.later[number]
        if after < 0:
            key = self.keys[number]
            after = self.later[number] = self.number(key_of(station_of(key, 1)))
        return after

    def step(self, number: int, message: Message) -> Outcome:
        """Return what an input makes of a state; the claims are checked the first time."""
        outcome = self.memo.get((number, message))
        if outcome is None:
            outcome = self.memo[number, message] = self._step(number, message)
        return outcome

    def _step(self, number: int, message: Message) -> Outcome:
        before = self.states[number]
        now_s = ENGINE_S - EPS_S if message[0] == "back" else ENGINE_S
        given = given_of(message, now_s)
        result = self.core.station_step(self.plan, before, given, now_s)
        stepped = claims.Stepped(before, given, result, max(now_s, before.now_s), self.plan)
        for claim in claims.STATION_CLAIMS:
            if not claim(stepped):
                raise Broken(claim.__name__, f"{before.phase} -> {result.station.phase}")
        after = self.number(key_of(result.station))
        if message[:2] == ("ask", "ack") or (
            message[:2] == ("ask", "reset") and before.phase in UNDER_WAY
        ):
            plain = self.step(number, ("tick",))
            if (plain.state, plain.sent) != (after, _sent(result, NODE_S)):
                raise Broken("acknowledging_changes_nothing", f"{before.phase}, {message[1]}")
        phase = result.station.phase
        was_begun = before.fill is not None and before.phase in UNDER_WAY
        return Outcome(
            after, _sent(result, NODE_S), result.station.senses.seq,
            past=(phase is Phase.CHECKING and before.phase is not Phase.CHECKING) or (
                before.fill is not None and result.station.fill is None),
            begun=phase in WATER_MAY_FLOW and not was_begun,
            over=before.phase in UNDER_WAY and phase not in UNDER_WAY,
        )  # fmt: skip


@dataclass(slots=True)
class Guards:
    """Every guard state met, by number, and every step taken from one. Both ways' guards are the
    same machine, and so have their steps in common.
    """

    core: Core = field(default_factory=Core)
    ids: dict[GuardKey, int] = field(default_factory=dict)
    keys: list[GuardKey] = field(default_factory=list)
    states: list[GuardState] = field(default_factory=list)
    later: list[int] = field(default_factory=list)
    on: list[bool] = field(default_factory=list)
    due: list[bool] = field(default_factory=list)
    memo: dict[tuple[int, Message], tuple[int, int]] = field(default_factory=dict)

    def number(self, key: GuardKey) -> int:
        """Return a key's number, a new one when it was never met."""
        number = self.ids.get(key)
        if number is None:
            number = self.ids[key] = len(self.keys)
            state = guard_of(key)
            deadline_s = guards.deadline_s(state, LIMITS)
            self.keys.append(key)
            self.states.append(state)
            self.later.append(-1)
            self.on.append(self.core.energised(state, NODE_S, LIMITS))
            self.due.append(deadline_s is not None and deadline_s <= NODE_S)
        return number

    def aged(self, number: int) -> int:
        """Return the state one quarter later, with nothing done."""
        after = self.later[number]
        if after < 0:
            after = self.later[number] = self.number(guard_key(guard_of(self.keys[number], 1)))
        return after

    def step(self, number: int, message: Message) -> tuple[int, int]:
        """Return the next state and the sequence number last taken from an engine."""
        outcome = self.memo.get((number, message))
        if outcome is None:
            outcome = self.memo[number, message] = self._step(number, message)
        return outcome

    def _step(self, number: int, message: Message) -> tuple[int, int]:
        core, before = self.core, self.states[number]
        now_s = NODE_S - EPS_S if message[0] == "back" else NODE_S
        given = _guard_given(message)
        after = core.guard_step(before, given, now_s, LIMITS)
        end_s = max(after.until_s, NODE_S)
        judged = claims.Guarded(
            before, given, after, NODE_S, self.on[number], core.energised(after, NODE_S, LIMITS),
            core.energised(after, end_s, LIMITS) and end_s > NODE_S,
        )  # fmt: skip
        for claim in claims.GUARD_CLAIMS:
            if not claim(judged):
                raise Broken(claim.__name__, f"{before.phase} -> {after.phase} by {message}")
        return self.number(guard_key(after)), after.seq


def _guard_given(message: Message) -> GuardInput:
    match message[0]:
        case "permit":
            _, fill, engine, seq, age, fits, way = message
            boot = "n" if fits else "other"
            as_of_s = NODE_S - age * EPS_S
            ttl_s = LIMITS.permit_ttl_s
            return Permit(PLAN.station, engine, seq, boot, as_of_s, ttl_s, fill, way)
        case "withdraw":
            _, fill, engine, seq, resumable, way = message
            return Withdraw(PLAN.station, engine, seq, "n", fill, "W06", resumable, way)
        case "trip":
            return guards.Trip(message[1])
        case "clear":
            return guards.Clear()
        case "fail":
            return guards.Failure(message[1])
        case _:
            return guards.Tick()


# --- is the abstraction true? ---


def _shadow_input(chance: random.Random, plan: Plan, st: Station, aged: int) -> Message:
    """Draw an input for a shadow walk: mostly healthy readings, now and then anything else."""
    if chance.random() < 0.1 and st.phase in RESTING:
        verb = chance.choice(["fill", "drain"] if plan.drain else ["fill"])
        verb = "reset" if st.phase is Phase.STOPPED else verb
        return ("ask", verb, chance.random() < 0.5, chance.random() < 0.3)
    if chance.random() < 0.2:
        return chance.choice([
            ("tick",), ("linked", True), ("linked", chance.random() < 0.8), ("echo",),
            ("here", True, chance.random() < 0.1), ("here", chance.random() < 0.8, False),
            ("report", "c", chance.choice(["", "C02"])),
            ("told", True, False), ("told", chance.random() < 0.9, chance.random() < 0.1),
            ("ask", chance.choice(["fill", "stop", "reset"]), True, False),
            ("ask", "ack", False, False),
        ])  # fmt: skip
    odd = chance.random() < 0.04
    filling, draining = st.phase is Phase.FILLING, st.phase is Phase.DRAINING
    fitted: Message = ()
    if plan.drain:
        switches = (chance.choice([0, 0, 1, UNREAD]) if odd else 0 for _ in FITTED)
        fitted = (*switches, draining if chance.random() < 0.97 else chance.random() < 0.5)
    return (
        "pack", "n" if chance.random() < 0.99 else "a", NEWER, aged,
        chance.choice([0, 1, UNREAD]) if odd else 0,
        chance.choice([0, 0, 0, 1, UNREAD]) if odd else 0,
        chance.choice([0, 0, 1, UNREAD]) if odd else 0,
        chance.choice([0, 1, 2, 3, UNREAD]) if chance.random() < 0.2 else 0,
        chance.choice([0, 10, 99, UNREAD]) if odd else 10 if filling else 0,
        chance.choice([0, 1, 2, 2, 3]) if filling else 0,
        filling if chance.random() < 0.97 else chance.random() < 0.5,
        *fitted,
    )  # fmt: skip


def shadow(seed: int, steps: int, machine: Stations | None = None) -> list[tuple[str, str]]:
    """Walk the real core at random with nothing left out, beside the keys: both must agree.

    The real station keeps its forecast, alarm letters, sequence numbers and moving clock; the key
    is re-made into a station at every step. Returns the (phase, sent) of every step; raises
    `Broken` at the first step where the two part.
    """
    chance = random.Random(seed)
    machine = Stations() if machine is None else machine
    plan = machine.plan
    real = replace(Station(), facts=facts_of(True, False, ENGINE_S))
    now_s, key = ENGINE_S, machine.number(key_of(real))
    told: list[tuple[str, str]] = []
    for seq in range(1, steps + 1):
        for _ in range(chance.choice([0, 1, 1, 2, 2, 2, 3, 5])):
            now_s, key = now_s + EPS_S, machine.aged(key)
        if real.fill is not None and real.fill.open_before_s > LIMITS.open_max_s / 2:
            break  # the band "well below the time limit" ends here
        aged = chance.choice([0, 0, 0, 0, 1, 2])
        message = _shadow_input(chance, plan, real, aged)
        fill = real.fill
        first = fill.count_from if fill is not None and real.phase in UNDER_WAY else 7777 + seq
        # A reading that sat on the way was made before the one last taken: its number says so too.
        late = message[0] == "pack" and real.senses.boot == message[1] and (
            now_s - aged * EPS_S - ENGINE_S + NODE_S < real.senses.uptime_s)  # fmt: skip
        if late:
            message = (*message[:2], OLDER, *message[3:])
        number = 0 if late else seq
        result = machine.core.station_step(
            plan, real, given_of(message, now_s, number, first), now_s)  # fmt: skip
        outcome = machine.step(key, message)
        real, key = result.station, outcome.state
        sent = _sent(result, now_s - ENGINE_S + NODE_S)
        if key_of(real, now_s) != machine.keys[key] or sent != outcome.sent:
            raise Broken("the_picture_is_true", f"{message} at step {len(told)} of walk {seed}")
        told.append((real.phase.value, " ".join(str(m[0]) for m in sent)))
    return told


# --- does a check let through just what it may? ---

_PLACE: Final = {
    "float": 4, "over": 5, "leak": 6, "temp": 7, "flow": 8, "valve": 10, "low": 11, "store": 12,
    "sump": 13, "drain": 14,
}  # fmt: skip
_WELL: Final[Message] = ("pack", "n", FRESH, 0, 0, 0, 0, 0, 0, 0, False, 0, 0, 0, False)
ODDITIES: Final[tuple[tuple[str, int, str, str], ...]] = (
    ("", 0, "", ""),
    ("float", 1, "float", ""), ("float", UNREAD, "float", ""),
    ("over", 1, "stop", "stop"), ("over", UNREAD, "second-float", ""),
    ("leak", 1, "stop", "stop"), ("leak", UNREAD, "leak", "leak"),
    ("sump", 1, "stop", "stop"), ("sump", UNREAD, "sump", "sump"),
    ("low", 1, "", "above-low"), ("low", UNREAD, "", "above-low"),
    ("store", 1, "", "store"), ("store", UNREAD, "", "store"),
    ("temp", 1, "", ""), ("temp", 2, "", ""), ("temp", 3, "temperature", ""),
    ("temp", UNREAD, "temperature", ""),
    ("flow", 10, "still", "still"), ("flow", 99, "meter still", "still"),
    ("flow", UNREAD, "meter still", "still"),
    ("valve", 1, "shut", "shut"), ("drain", 1, "shut", "shut"),
    ("link", 0, "broker", "broker"), ("simulated", 1, "world", "world"),
    ("gone", 1, "node", "node"),
)  # fmt: skip
"""What may be odd, and the checks that must fail before a fill and before a drain; "stop" is a trip
in place of a refusal."""

UNTOLD: Final = {
    "proof": ("attended", "drain"), "cartridge": ("attended",), "people": ("attended", "drain"),
    "desk": ("attended", "drain"), "supply": (),
}  # fmt: skip
"""What may be odd with what is told, by the check that must then fail before a fill; those with
"attended" only if nobody is beside the tank, those with "drain" before a drain, too."""

_ASKS: Final = tuple((verb, attended) for verb in ("fill", "drain") for attended in (False, True))


def every_check(step: Callable[[Plan, Station, Given, float], Result] = stations.step) -> int:
    """Go through every set of odd facts with every odd reading, before a fill that somebody
    attends, one that nobody does, and drains of both kinds: each must begin, or be refused for
    just the checks that are named here. Returns how many cases there were; raises `Broken`.
    """
    cases = 0
    for odd, (verb, attended), (part, value, filling, draining) in product(
        powerset(UNTOLD), _ASKS, ODDITIES
    ):
        rows = set((draining if verb == "drain" else filling).split())
        rows |= {
            key for key in odd
            if (verb == "fill" or "drain" in UNTOLD[key])
            and not (attended and "attended" in UNTOLD[key])
        }  # fmt: skip
        phase, keys = _checked(step, frozenset(odd), verb, attended, part, value)
        if "stop" in rows:
            expected, rows = Phase.STOPPED, set()
        else:
            begun = Phase.FILLING if verb == "fill" else Phase.DRAINING
            expected = Phase.IDLE if rows else begun
        cases += 1
        if (phase, keys) != (expected, rows):
            what = f"{verb}, attended {attended}, {part} {value}, odd {sorted(odd)}"
            raise Broken(
                "a_check_lets_through_just_what_it_may",
                f"{what}: {phase} {sorted(keys)}, not {expected} {sorted(rows)}",
            )
    return cases


def powerset(names: Iterable[str]) -> Iterator[tuple[str, ...]]:
    """Return every set of these names."""
    kept = tuple(names)
    return chain.from_iterable(combinations(kept, count) for count in range(len(kept) + 1))


def _checked(
    step: Callable[[Plan, Station, Given, float], Result],
    odd: frozenset[str], verb: str, attended: bool, part: str, value: int,
) -> tuple[Phase, set[str]]:  # fmt: skip
    """Let a check come to its end; return the phase after it and the checks that refused it."""
    proven = {} if "proof" in odd else dict.fromkeys(CHECK_PLAN.proven, ENGINE_S)
    facts = Facts(
        proven_s={**proven, VALVE: ENGINE_S},
        cartridge_l=CHECK_PLAN.filter_l if "cartridge" in odd else 0.0,
        cartridge_s=ENGINE_S,
        people_s=-inf if "people" in odd else ENGINE_S,
        busy="another" if "supply" in odd else "",
    )
    place, pack = _PLACE.get(part), _WELL
    if place is not None:
        pack = (*pack[:place], value, *pack[place + 1 :])
    begin: list[Given] = [
        Linked(part != "link"),
        Told(facts),
        Here(Presence(PLAN.station, "desk", "d", "desk" not in odd)),
        Here(Presence(PLAN.station, "node", "n", True, part == "simulated")),
        given_of(pack, ENGINE_S, 0),
        given_of(("ask", verb, True, attended), ENGINE_S),
    ]
    st, keys = Station(), set[str]()
    for given in begin:
        st = step(CHECK_PLAN, st, given, ENGINE_S).station
    for count in range(1, quarters(LIMITS.check_max_s) + 1):
        now_s = ENGINE_S + count * EPS_S
        gone = part == "gone" and now_s > ENGINE_S + LIMITS.permit_ttl_s
        given = given_of(pack, now_s, count)
        if gone or count % 2:
            given = Here(Presence(PLAN.station, "node", "n", False)) if gone else Tick()
        result = step(CHECK_PLAN, st, given, now_s)
        st = result.station
        keys |= {key for a in result.actions if isinstance(a, FillRefused) for key in a.failing}
        if st.phase is not Phase.CHECKING:
            break
    return st.phase, keys
