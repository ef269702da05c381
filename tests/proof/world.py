"""One station, its guards, the channel between them and all that may happen around them.

A state of this world is seven numbers: (station, guard of the valve, guard of the drain,
surroundings, in hand, on the way up, on the way down). *In hand* are messages just made, which are
dealt with before anything else: each arrives, is lost, is kept back, or arrives and is kept as
well. What is kept (at most one each way) arrives later, any number of times, or never. Every move
has a price: 0 for what belongs to a healthy life, for what a person does and for what mends; 1 for
whatever goes wrong.

There are three such worlds (`SYSTEMS`). In each, only the parts that it names may go odd, and a
person asks only for what it names; the rest is well all the time. What belongs to both fills and
drains, and is walked in one of them only: the second float, the temperature and the meter's moods
in the worlds of fills, which have no drain, the sump's float in that of drains.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any, Final, Generic, NamedTuple, TypeVar

from monitor.core.exchange import Way
from monitor.core.guard import GuardPhase, GuardState
from monitor.core.phases import UNDER_WAY, WATER_MAY_FLOW, Phase
from monitor.core.plan import Plan, Station
from proof.abstract import (
    BANDS_L,
    DRAIN_PLAN,
    ENGINE_S,
    LIMITS,
    NEED_BAND,
    OPEN_MAX,
    PLAN,
    RUNNING,
    SEQ,
    SHUT_CAP,
    STALE,
    TIME_LIMIT,
    TTL,
    GuardKey,
    facts_of,
    guard_key,
    key_of,
    quarters,
)
from proof.claims import FLOWS, MOMENT_CLAIMS, Moment
from proof.steps import (
    FRESH,
    KNOWN,
    NEWER,
    OLDER,
    UNREAD,
    Broken,
    Core,
    Guards,
    Message,
    Stations,
)

State = tuple[int, int, int, int, int, int, int]
Move = tuple[int, str, State]
T = TypeVar("T", bound=Hashable)

QUARTER: Final = "a quarter of a second passes"
PERIOD: Final = quarters(LIMITS.reading_period_s)
PACK_CAP: Final = STALE + 2  # a reading older than this on the way is as good as one this old
OLD_NAMES: Final = ("a", "b", "d", "f")  # the guards' fills, a message's each way
ODD: Final = {
    "high": {1: "the float rises", UNREAD: "the float cannot be read", 0: "the float falls"},
    "over": {1: "the second float rises", UNREAD: "the second float cannot be read",
             0: "the second float falls"},
    "wet": {1: "the probe gets wet", UNREAD: "the probe cannot be read", 0: "the probe dries"},
    "temp": {0: "the temperature is good", 1: "the water turns cold", 2: "the water turns hot",
             3: "the water turns scalding", UNREAD: "the temperature cannot be read"},
    "flow": {0: "the meter tells the truth", 1: "the meter stands still",
             2: "water flows whether open or shut", 3: "the meter races",
             UNREAD: "the meter cannot be read"},
    "low": {1: "the water falls below the low float", UNREAD: "the low float cannot be read",
            0: "the water is above the low float"},
    "store": {1: "the storage vessel is full", UNREAD: "the storage float cannot be read",
              0: "the storage vessel has room"},
    "sump": {1: "the sump is full", UNREAD: "the sump's float cannot be read",
             0: "the sump has room"},
}  # fmt: skip
TRIPS: Final = {  # the worst first, as the node ranks them
    Way.IN: (
        ("wet", 1, "W06"), ("over", 1, "W01"), ("sump", 1, "W08"), ("sump", UNREAD, "W08"),
        ("wet", UNREAD, "S02"), ("over", UNREAD, "S01"), ("high", UNREAD, "S01"),
        ("high", 1, "mark"),
    ),
    Way.OUT: (
        ("wet", 1, "W06"), ("store", 1, "W21"), ("store", UNREAD, "W21"), ("wet", UNREAD, "S02"),
        ("low", UNREAD, "W23"), ("low", 1, "low-mark"),
    ),
}  # fmt: skip
SWITCHES: Final = {
    Way.IN: ("high", "over", "wet", "sump"),
    Way.OUT: ("wet", "low", "store"),
}
"""What must stop each way at once: kept apart from `TRIPS`, which a test may take away."""
CONTACTS: Final = frozenset({"high", "over", "wet", "low", "store", "sump"})
STRANGER: Final = "z"  # the name of a second engine, and of its one fill
RISES, FALLS = ODD["high"][1], ODD["low"][1]
FLOWS_LPM: Final = {1: 0, 2: 10, 3: 99, UNREAD: UNREAD}


class Around(NamedTuple):
    """The surroundings. Ages are in quarters of a second."""

    high: int = 0
    over: int = 0
    wet: int = 0
    temp: int = 0
    flow: int = 0
    low: int = 0
    store: int = 0
    sump: int = 0
    band: int = 0  # how much has gone through the meter in this fill
    link: bool = True  # the broker answers
    mute: bool = False  # what the node sends gets lost
    frozen: bool = False  # the engine stands still
    dark: int = 0  # how long one of these three has lasted
    restarted: int = TTL  # how long ago the engine was started
    slot: int = 0  # quarters since the node's last pass


@dataclass(frozen=True, slots=True)
class System:
    """What is walked: a plan, what people ask for, what may go odd, and what is told at first."""

    name: str
    plan: Plan
    wish: str  # the first of `asks`: what a good life is made of
    asks: dict[str, Message]
    parts: tuple[str, ...]
    told: tuple[bool, bool]  # proven, busy
    tells: dict[str, tuple[int, Message]]  # what the shell may tell later, with its price
    to_mark: bool = True


def _system(
    name: str, plan: Plan, parts: tuple[str, ...], asks: dict[str, Message], told: bool,
    tells: dict[str, tuple[int, Message]],
) -> System:  # fmt: skip
    """Return a system in which people may also stop, reset and acknowledge."""
    more = {verb: ("ask", verb, True, False) for verb in ("stop", "reset", "ack")}
    named = {f"a person asks: {verb}": message for verb, message in (asks | more).items()}
    wish, first = next(iter(named.items()))
    return System(name, plan, wish, named, parts, (told, False), tells, to_mark=first[2])


_FILL_PARTS: Final = ("high", "over", "wet", "temp", "flow")
SYSTEMS: Final = {
    "mark": _system(
        "fills up to the mark, all proven, nobody beside the tank", PLAN, _FILL_PARTS,
        {"fill": ("ask", "fill", True, False)}, True, {},
    ),
    "meter": _system(
        "fills by the meter, nothing proven, a person beside the tank", PLAN, _FILL_PARTS,
        {"fill": ("ask", "fill", False, True)}, False, {},
    ),
    "drain": _system(
        "drains by a pump, and fills up again", DRAIN_PLAN,
        ("high", "wet", "low", "store", "sump"),
        {
            "drain": ("ask", "drain", True, False), "fill": ("ask", "fill", True, False),
            "attended fill": ("ask", "fill", True, True),
        }, True,
        {
            "the shell tells: all is proven": (0, ("told", True, False)),
            "the shell tells: nothing is proven": (1, ("told", False, False)),
            "the shell tells: another draws on the supply": (1, ("told", True, True)),
        },
    ),
}  # fmt: skip


class Table(Generic[T]):
    """Numbers for values."""

    def __init__(self, *first: T) -> None:
        self.values: list[T] = list(first)
        self.ids: dict[T, int] = {value: number for number, value in enumerate(first)}

    def number(self, value: T) -> int:
        """Return a value's number, a new one when it was never met."""
        number = self.ids.get(value)
        if number is None:
            number = self.ids[value] = len(self.values)
            self.values.append(value)
        return number


class World:
    """The product. `moves` gives all there is to do in a state."""

    def __init__(self, system: System, core: Core | None = None) -> None:
        core = Core() if core is None else core
        self.system = system
        self.drains = bool(system.plan.drain)
        self.stations, self.guards = Stations(core, system.plan), Guards(core)
        self.arounds: Table[Around] = Table(Around())
        self.notes: Table[Message] = Table(())  # 0 is no message
        self.hands: Table[tuple[int, ...]] = Table(())
        self.memo: dict[tuple[Any, ...], Any] = {}
        facts = facts_of(*system.told, ENGINE_S)  # told as soon as an engine runs
        self.born = {
            interrupted: self.stations.number(key_of(Station(interrupted=interrupted, facts=facts)))
            for interrupted in (False, True)
        }
        self.shut = self.guards.number(guard_key(GuardState("n")))  # a guard that has just begun

    def first(self) -> State:
        """Return the world before anything has happened."""
        return self.born[False], self.shut, self.shut, 0, 0, 0, 0

    # --- looking ---

    def phase(self, x: State) -> Phase:
        """The station's phase."""
        return self.stations.keys[x[0]].phase

    def has_fill(self, x: State) -> bool:
        """Say whether the state knows of the kind of fill that is asked for here."""
        fill = self.stations.keys[x[0]].fill
        return fill is not None and not fill.ended and fill.to_mark == self.system.to_mark

    def gates(self, x: State) -> tuple[int, ...]:
        """The guards that there are: the drain's only where there is a drain."""
        return x[1:3] if self.drains else x[1:2]

    def unheard(self, x: State) -> bool:
        """Say whether the engine holds the node for one that was superseded."""
        return "n" in self.stations.keys[x[0]].senses.former

    def check(self, x: State) -> None:
        """Raise `Broken` when a claim about a moment fails. Shut valves break none of them."""
        on = self.guards.on
        for way, g, other in ((Way.IN, x[1], x[2]), (Way.OUT, x[2], x[1])):
            if on[g]:
                self._judge(way, x, g, on[other])

    def _judge(self, way: Way, x: State, g: int, other_on: bool) -> None:
        st, guard = self.stations.keys[x[0]], self.guards.keys[g]
        around = self.arounds.values[x[3]]
        moment = Moment(
            on=True,
            lease_left=guard.left,
            at_work=st.phase is FLOWS[way] and st.fill is not None and st.fill.way is way,
            fill_begun=st.fill is not None and st.fill.begun,
            fill_now=guard.fill == "c",
            engine_now=guard.engine == "c",
            shut_age=SHUT_CAP if st.phase in WATER_MAY_FLOW else st.shut,
            switch_bad=any(getattr(around, part) != 0 for part in SWITCHES[way]),
            dark=around.dark,
            restarted=around.restarted,
            stranger=guard.engine == STRANGER,
            other_on=other_on,
            wet=around.wet == 1,
        )
        for claim in MOMENT_CLAIMS:
            if not claim(moment):
                raise Broken(claim.__name__, f"{way}: {moment}")

    # --- moving ---

    def moves(self, x: State) -> list[Move]:
        """Return every move from a state: its price, its name, and where it leads."""
        if x[4]:
            return list(self._in_hand(x))
        s, g, h, e, _, u, d = x
        around, on = self.arounds.values[e], self.guards.on
        found: list[Move] = []
        due = self.stations.keys[s].due
        if around.frozen or due is None or due < 0:
            found.append((0, QUARTER, self._quarter(x)))
        elif not around.frozen:
            found.append((0, "the engine looks again", self._heard(x, ("tick",))))
        for asked, name, after, passes in self._turns(e):
            price = asked
            if name is RISES and not on[g]:
                price = 1  # without water coming in, a float does not rise by itself
            elif name is FALLS and on[h]:
                price = 0  # and with water going out, this is how it ends
            if passes:
                g2, h2, hand = self._pass(g, h, after, self._again(g, h, around, after))
                found.append((price, name, (s, g2, h2, after, hand, u, d)))
            else:
                found.append((price, name, (s, g, h, after, 0, u, d)))
        found += self._water(x, around)
        if not around.frozen:
            found += self._engine(x, around)
        found += self._faults(x, around)
        if around.link and (u or d):
            found += self._kept(x, around)
        elif u or d:
            found.append((0, "what is on the way is lost", (s, g, h, e, 0, 0, 0)))
        return found

    def _turns(self, e: int) -> list[tuple[int, str, int, bool]]:
        """Return the turns of sensors and connections: price, name, surroundings, edge or not."""
        known: list[tuple[int, str, int, bool]] | None = self.memo.get(("turns", e))
        if known is not None:
            return known
        at, found = self.arounds.values[e], []
        for part in self.system.parts:
            now = getattr(at, part)
            for value, name in ODD[part].items():
                full = name is RISES and self.system.to_mark and at.band >= NEED_BAND - 1
                price = 0 if value == 0 or full else 1
                if value != now:
                    after = self._around(Around(**{**at._asdict(), part: value}))
                    found.append((price, name, after, part in CONTACTS))
        for part, bad, off, on in (
            ("mute", True, "what the node sends gets lost", "the node is heard again"),
            ("frozen", True, "the engine freezes", "the engine goes on"),
        ):
            value = getattr(at, part)
            after = self._around(Around(**{**at._asdict(), part: not value}))
            found.append((int(value is not bad), on if value else off, after, False))
        if at.link:
            after = self._around(at._replace(link=False))
            found.append((1, "the broker falls silent", after, False))
        else:  # the node sends its pack and report anew
            after = self._around(at._replace(link=True))
            found.append((0, "the broker answers again", after, True))
        self.memo["turns", e] = found
        return found

    def _again(self, g: int, h: int, before: Around, after: int) -> int:
        """On a new connection the node tells once more what its guards have done."""
        if not self.arounds.values[after].link or before.link or before.mute:
            return 0
        keys = [self.guards.keys[each] for each in ((g, h) if self.drains else (g,))]
        return self._add(0, *(("report", key.fill, key.cause) for key in keys if key.cause))

    def _around(self, around: Around) -> int:
        dark = around.dark if around.mute or around.frozen or not around.link else 0
        return self.arounds.number(around._replace(dark=dark))

    def _quarter(self, x: State) -> State:
        """Let a quarter of a second pass: lease's end and node's pass come by themselves."""
        s, g, h, e, _, u, d = x
        known = self.memo.get(("quarter", g, h, e))
        if known is None:
            at = self.arounds.values[e]
            dark = at.mute or at.frozen or not at.link
            at = at._replace(
                slot=(at.slot + 1) % PERIOD,
                dark=min(at.dark + 1, TTL) if dark else 0,
                restarted=min(at.restarted + 1, TTL),
            )
            g2, h2, hand = self.guards.aged(g), self.guards.aged(h) if self.drains else h, 0
            e2 = self.arounds.number(at)
            if self.guards.due[g2] or self.guards.due[h2]:
                before = g2, h2
                g2, h2 = self._both(g2, h2, ("tick",))
                hand = self._with_reports(hand, before, (g2, h2), at)
            if at.slot == 0:
                g2, h2, hand = self._pass(g2, h2, e2, hand)
            known = self.memo["quarter", g, h, e] = (g2, h2, e2, hand)
        g2, h2, e2, hand = known
        return self.stations.aged(s), g2, h2, e2, hand, self._older(u), self._older(d)

    def _act(self, g: int, h: int, way: Way, note: Message) -> tuple[int, int, int]:
        """Let one guard act and set its relay, as `monitor.gate` does: never both relays on.

        Returns both guards and the sequence number that the acting one last took.
        """
        after, took = self.guards.step(g if way is Way.IN else h, note)
        g, h = (after, h) if way is Way.IN else (g, after)
        if self.guards.on[g] and self.guards.on[h]:
            fail = ("fail", "C12")
            g, h = self.guards.step(g, fail)[0], self.guards.step(h, fail)[0]
        return g, h, took

    def _both(self, g: int, h: int, note: Message) -> tuple[int, int]:
        """Let every guard that there is act upon the same."""
        g, h, _ = self._act(g, h, Way.IN, note)
        if self.drains:
            g, h, _ = self._act(g, h, Way.OUT, note)
        return g, h

    def _older(self, number: int) -> int:
        """Return a message that has been on the way a quarter longer."""
        if not number:
            return 0
        known: int | None = self.memo.get(("older", number))
        if known is None:
            note = self.notes.values[number]
            if note[0] == "pack":
                note = (*note[:3], min(note[3] + 1, PACK_CAP), *note[4:])
            elif note[0] == "permit":
                note = (*note[:4], min(note[4] + 1, TTL), *note[5:])
            known = self.memo["older", number] = self.notes.number(note)
        return known

    def _with_reports(
        self, hand: int, before: tuple[int, int], after: tuple[int, int], at: Around
    ) -> int:
        """Add a guard's report when it gave a cause of its own; without one it says nothing."""
        if before == after or at.mute or not at.link:
            return hand
        for first, then in zip(before, after, strict=True):
            old, new = self.guards.keys[first], self.guards.keys[then]
            on = self.guards.on
            told = (on[first], old.fill, old.cause) == (on[then], new.fill, new.cause)
            if not told and new.cause:
                hand = self._add(hand, ("report", new.fill, new.cause))
        return hand

    def _add(self, hand: int, *notes: Message) -> int:
        numbers = tuple(self.notes.number(note) for note in notes)
        return self.hands.number((*self.hands.values[hand], *numbers)) if notes else hand

    def _pass(self, g: int, h: int, e: int, hand: int = 0) -> tuple[int, int, int]:
        """One pass of the node: local switches, guards, readings, reports. As `monitor.node`."""
        known: tuple[int, int, int] | None = self.memo.get(("pass", g, h, e, hand))
        if known is None:
            at = self.arounds.values[e]
            g2, h2 = g, h
            for way in (Way.IN, Way.OUT) if self.drains else (Way.IN,):
                causes = [cause for part, value, cause in TRIPS[way] if getattr(at, part) == value]
                here = g2 if way is Way.IN else h2
                if causes:
                    g2, h2, _ = self._act(g2, h2, way, ("trip", causes[0]))
                elif self.guards.keys[here].phase is GuardPhase.BLOCKED:
                    g2, h2, _ = self._act(g2, h2, way, ("clear",))
            g2, h2 = self._both(g2, h2, ("tick",))
            hand2 = self._pack(hand, g, (g2, h2), at)
            hand2 = self._with_reports(hand2, (g, h), (g2, h2), at)
            known = self.memo["pass", g, h, e, hand] = g2, h2, hand2
        return known

    def _pack(self, hand: int, before: int, after: tuple[int, int], at: Around) -> int:
        if at.mute or not at.link:
            return hand
        on = self.guards.on
        true_lpm = 10 if on[before] else 0
        flow = FLOWS_LPM.get(at.flow, true_lpm)
        said: Message = (at.high, at.over, at.wet, at.temp, flow, at.band, on[after[0]])
        if self.drains:
            said = (*said, at.low, at.store, at.sump, on[after[1]])
        return self._add(hand, ("pack", "n", FRESH, 0, *said))

    def _water(self, x: State, at: Around) -> Iterator[Move]:
        """Water goes on through the meter; or has done so for very long, unseen."""
        s, g, h, e, _, u, d = x
        key = self.stations.keys[s]
        runs = (self.guards.on[g] and at.flow == 0) or at.flow == 2
        if runs and key.phase in UNDER_WAY and at.band < len(BANDS_L) - 1:
            price = 0 if at.band < NEED_BAND or at.flow == 2 else 1
            e2 = self.arounds.number(at._replace(band=at.band + 1))
            yield price, "more water has come", (s, g, h, e2, 0, u, d)
        if key.phase in RUNNING and key.fill is not None and key.fill.elapsed == 0:
            fill = key.fill._replace(elapsed=TIME_LIMIT - 1)
            s2 = self.stations.number(key._replace(fill=fill))
            yield 1, "it has lasted almost as long as it may", (s2, g, h, e, 0, u, d)
        for way, here in zip(Way, self.gates(x), strict=False):
            held = self.guards.keys[here]
            if not self.guards.on[here] or held.elapsed:
                continue
            late = self.guards.number(held._replace(elapsed=OPEN_MAX - 1))
            g2, h2 = (late, h) if way is Way.IN else (g, late)
            what = "valve" if way is Way.IN else "drain"
            name = f"the {what} has been open almost as long as it ever may"
            yield 1, name, (s, g2, h2, e, 0, u, d)

    def _engine(self, x: State, at: Around) -> Iterator[Move]:
        """What reaches a running engine besides messages of the node."""
        key = self.stations.keys[x[0]]
        if key.link_up is not at.link:
            yield 0, "the engine notices the broker", self._heard(x, ("linked", at.link))
        if at.link:
            if key.node_gone or key.simulated:
                yield 0, "the node is reported back", self._heard(x, ("here", True, False))
            if not key.node_gone:
                yield 1, "the node is reported gone", self._heard(x, ("here", False, False))
            if self.drains and not key.simulated:
                yield 1, "a simulated node is reported", self._heard(x, ("here", True, True))
            for name, message in self.system.asks.items():
                yield 0, name, self._heard(x, message)
        for name, (price, message) in self.system.tells.items():
            if key.facts != message[1:]:
                yield price, name, self._heard(x, message)
        yield 1, "the engine's clock runs back", self._heard(x, ("back",))

    def _faults(self, x: State, at: Around) -> Iterator[Move]:
        """Restarts, and failures of the guards' own shell."""
        s, g, h, e, _, u, d = x
        for name, note in (
            ("the node's clock runs back", ("back",)), ("the node's shell fails", ("fail", "C06")),
        ):  # fmt: skip
            after = self._both(g, h, note)
            yield 1, name, (s, *after, e, self._with_reports(0, (g, h), after, at), u, d)
        if at.link:
            for way in Way if self.drains else (Way.IN,):
                permit: Message = ("permit", STRANGER, STRANGER, FRESH, 0, True, way)
                yield 1, f"a second engine sends a permit ({way})", self._obey(x, permit)
        s2 = self.born[self.stations.keys[s].phase in UNDER_WAY]
        g2, h2, u2, d2 = self._renamed(g, h, u, d, engine=True)
        e2 = self._around(at._replace(frozen=False, restarted=0))
        yield 1, "the engine is started anew", (s2, g2, h2, e2, 0, u2, d2)
        s3, u3, d3 = self._rebooted(s, u, d)
        yield 1, "the node is started anew", (s3, self.shut, self.shut, e, 0, u3, d3)

    # --- messages ---

    def _in_hand(self, x: State) -> Iterator[Move]:
        """Deal with the first message in hand."""
        s, g, h, e, p, u, d = x
        head, *rest = self.hands.values[p]
        after = self.hands.number(tuple(rest))
        at, note = self.arounds.values[e], self.notes.values[head]
        kind, down = note[0], note[0] in ("permit", "withdraw")
        lost = (s, g, h, e, after, u, d)
        kept = self._keep(head)
        held = (s, g, h, e, after, u, kept) if down else (s, g, h, e, after, kept, d)
        if not at.link:
            yield 0, f"the {kind} is lost", lost
            return
        if at.frozen and not down:
            yield 0, f"the {kind} is lost", lost
            if kind != "echo":
                yield 0, f"the {kind} waits for the engine", held
            return
        arrives = self._arrive(lost, note)
        yield 0, f"the {kind} arrives", arrives
        yield 1, f"the {kind} is lost", lost
        if kind == "echo":
            return
        yield 1, f"the {kind} is kept back", held
        both = self._arrive(held, note)
        if kind == "pack":  # the copy has the very number that was taken
            band = self.arounds.values[both[3]].band
            copy = self.notes.number((*note[:2], KNOWN, *note[3:9], band, *note[10:]))
            both = (*both[:5], copy, both[6])
        yield 1, f"the {kind} arrives, and a copy is kept", both

    def _keep(self, number: int) -> int:
        note = self.notes.values[number]
        at = {"pack": 2, "permit": 3, "withdraw": 3}.get(note[0])
        return number if at is None else self.notes.number((*note[:at], NEWER, *note[at + 1 :]))

    def _kept(self, x: State, at: Around) -> Iterator[Move]:
        """What was kept back arrives, once more or for the last time, or is lost."""
        s, g, h, e, _, u, d = x
        if u:
            note = self.notes.values[u]
            yield 0, f"the kept {note[0]} is lost", (s, g, h, e, 0, 0, d)
            if not at.frozen:
                yield 0, f"the kept {note[0]} arrives", self._arrive(x, note)
        if d:
            note = self.notes.values[d]
            yield 0, f"the kept {note[0]} is lost", (s, g, h, e, 0, u, 0)
            yield 0, f"the kept {note[0]} arrives", self._arrive(x, note)

    def _arrive(self, x: State, note: Message) -> State:
        return self._obey(x, note) if note[0] in ("permit", "withdraw") else self._heard(x, note)

    def _heard(self, x: State, note: Message) -> State:
        """Step the station with an input, and take up what it sends."""
        s, g, h, e, p, u, d = x
        outcome = self.stations.step(s, note)
        if note[0] == "pack" and u and self.notes.values[u][:2] == note[:2]:
            u = self._taken(u, 2, outcome.took, OLDER if outcome.took > NEWER else KNOWN)
        if outcome.begun or outcome.over:
            e = self.arounds.number(self.arounds.values[e]._replace(band=0))
            if u and self.notes.values[u][0] == "pack":
                kept = self.notes.values[u]
                u = self.notes.number((*kept[:9], 0, *kept[10:]))
        if outcome.past:
            g, h, u, d = self._renamed(g, h, u, d, engine=False)
        return outcome.state, g, h, e, self._add(p, *outcome.sent), u, d

    def _obey(self, x: State, note: Message) -> State:
        """Let the guard of its way hear what the engine says; after a withdrawal the node reads
        anew.
        """
        s, g, h, e, p, u, d = x
        at, way = self.arounds.values[e], note[-1]
        g2, h2, took = self._act(g, h, way, note)
        if d and self.notes.values[d][-1] is way:
            d = self._taken(d, 3, took, KNOWN)
        p = self._with_reports(p, (g, h), (g2, h2), at)
        if note[0] == "withdraw":
            p = self._pack(p, g2, (g2, h2), at)
        return s, g2, h2, e, p, u, d

    def _taken(self, number: int, at: int, took: int, then: int) -> int:
        """Return a kept message after `took` was taken: no longer newer than what was."""
        note = self.notes.values[number]
        if note[0] == "report" or note[at] > took or took == SEQ:
            return number
        return self.notes.number((*note[:at], then, *note[at + 1 :]))

    # --- names ---

    def _renamed(
        self, g: int, h: int, u: int, d: int, *, engine: bool
    ) -> tuple[int, int, int, int]:
        """The present fill (and the engine, too) becomes an older one: give names anew."""
        known: tuple[int, int, int, int] | None = self.memo.get(("renamed", g, h, u, d, engine))
        if known is not None:
            return known
        up, down = self.notes.values[u], self.notes.values[d]
        keys = [self.guards.keys[each] for each in (g, h)]
        reported = up[1] if up and up[0] == "report" else ""
        fills = _names(*(key.fill for key in keys), down[1] if down else "", reported)
        held = (*(key.engine for key in keys), down[2] if down else "")
        engines = _names(*held) if engine else {}
        g2, h2 = (self.guards.number(_renamed_guard(key, fills, engines)) for key in keys)
        if up and up[0] == "report":
            up = (up[0], fills.get(up[1], ""), up[2])
        if down:
            down = (down[0], fills[down[1]], engines.get(down[2], down[2]), *down[3:])
        known = g2, h2, self.notes.number(up), self.notes.number(down)
        self.memo["renamed", g, h, u, d, engine] = known
        return known

    def _rebooted(self, s: int, u: int, d: int) -> tuple[int, int, int]:
        """The node's present boot becomes an older one."""
        key, up, down = self.stations.keys[s], self.notes.values[u], self.notes.values[d]
        fill, senses = key.fill, key.senses
        boots = _names(
            senses.boot, fill.boot if fill else "", up[1] if up and up[0] == "pack" else ""
        )
        fill = fill if fill is None else fill._replace(boot=boots.get(fill.boot, ""))
        former = tuple(sorted(boots[name] for name in senses.former if name in boots))
        senses = senses._replace(boot=boots.get(senses.boot, ""), former=former)
        if up and up[0] == "pack":
            up = (up[0], boots[up[1]], *up[2:])
        if down and down[0] == "permit":
            down = (*down[:5], False, *down[6:])
        after = self.stations.number(key._replace(fill=fill, senses=senses))
        return after, self.notes.number(up), self.notes.number(down)


def _renamed_guard(key: GuardKey, fills: dict[str, str], engines: dict[str, str]) -> GuardKey:
    return key._replace(
        fill=fills.get(key.fill, ""),
        engine=engines.get(key.engine, key.engine),
        spent=tuple(sorted(fills[name] for name in key.spent if name in fills)),
    )


def _names(*used: str) -> dict[str, str]:
    """Return new names for old ones, in the order they come. A stranger keeps its own."""
    distinct = list(dict.fromkeys(name for name in used if name not in ("", STRANGER)))
    return {STRANGER: STRANGER, **dict(zip(distinct, OLD_NAMES, strict=False))}
