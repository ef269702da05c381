"""One station, one guard, the channel between them and all that may happen around them.

A state of this world is six numbers: (station, guard, surroundings, in hand, on the way up, on the
way down). *In hand* are messages just made, which are dealt with before anything else: each
arrives, is lost, is kept back, or arrives and is kept as well. What is kept (at most one each way)
arrives later, any number of times, or never. Every move has a price: 0 for what belongs to a
healthy life, for what a person does and for what mends; 1 for whatever goes wrong.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Any, Final, Generic, NamedTuple, TypeVar

from monitor.core.guard import GuardPhase, GuardState
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Station
from proof.abstract import (
    BANDS_L,
    LIMITS,
    NEED_BAND,
    OPEN_MAX,
    SEQ,
    SHUT_CAP,
    STALE,
    TIME_LIMIT,
    TTL,
    guard_key,
    key_of,
    quarters,
)
from proof.claims import MOMENT_CLAIMS, Moment
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

State = tuple[int, int, int, int, int, int]
Move = tuple[int, str, State]
T = TypeVar("T", bound=Hashable)

QUARTER: Final = "a quarter of a second passes"
PERIOD: Final = quarters(LIMITS.reading_period_s)
PACK_CAP: Final = STALE + 2  # a reading older than this on the way is as good as one this old
OLD_NAMES: Final = ("a", "b", "d", "f")
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
}  # fmt: skip
SWITCHES: Final = ("high", "over", "wet")
TRIPS: Final = (  # the worst first, as the node ranks them
    ("wet", 1, "W06"), ("over", 1, "W01"), ("wet", UNREAD, "S02"), ("over", UNREAD, "S01"),
    ("high", UNREAD, "S01"), ("high", 1, "mark"),
)  # fmt: skip
STRANGER: Final = "z"  # the name of a second engine, and of its one fill
RISES: Final = ODD["high"][1]
FLOWS_LPM: Final = {1: 0, 2: 10, 3: 99, UNREAD: UNREAD}


class Around(NamedTuple):
    """The surroundings. Ages are in quarters of a second."""

    high: int = 0
    over: int = 0
    wet: int = 0
    temp: int = 0
    flow: int = 0
    band: int = 0  # how much has gone through the meter in this fill
    link: bool = True  # the broker answers
    mute: bool = False  # what the node sends gets lost
    frozen: bool = False  # the engine stands still
    dark: int = 0  # how long one of these three has lasted
    restarted: int = TTL  # how long ago the engine was started
    slot: int = 0  # quarters since the node's last pass


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

    def __init__(self, *, to_mark: bool, core: Core | None = None) -> None:
        core = Core() if core is None else core
        self.to_mark = to_mark
        self.stations, self.guards = Stations(core), Guards(core)
        self.arounds: Table[Around] = Table(Around())
        self.notes: Table[Message] = Table(())  # 0 is no message
        self.hands: Table[tuple[int, ...]] = Table(())
        self.memo: dict[tuple[Any, ...], Any] = {}

    def first(self) -> State:
        """Return the world before anything has happened."""
        station = self.stations.number(key_of(Station()))
        return station, self.guards.number(guard_key(GuardState("n"))), 0, 0, 0, 0

    # --- looking ---

    def phase(self, x: State) -> Phase:
        """The station's phase."""
        phase: Phase = self.stations.keys[x[0]][0]
        return phase

    def has_fill(self, x: State) -> bool:
        """Say whether the state knows of the kind of fill that is asked for here."""
        fill = self.stations.keys[x[0]][3]
        return fill is not None and not fill[8] and fill[0] == self.to_mark

    def unheard(self, x: State) -> bool:
        """Say whether the engine holds the node for one that was superseded."""
        return "n" in self.stations.keys[x[0]][4][5]

    def check(self, x: State) -> None:
        """Raise `Broken` when a claim about a moment fails. A shut valve breaks none of them."""
        if not self.guards.on[x[1]]:
            return
        st, guard = self.stations.keys[x[0]], self.guards.keys[x[1]]
        around = self.arounds.values[x[2]]
        moment = Moment(
            on=True,
            lease_left=guard[3],
            phase=st[0],
            fill_begun=st[3] is not None and st[3][1],
            fill_now=guard[1] == "c",
            engine_now=guard[2] == "c",
            shut_age=SHUT_CAP if st[0] is Phase.FILLING else st[8],
            switch_bad=any(getattr(around, part) != 0 for part in SWITCHES),
            dark=around.dark,
            restarted=around.restarted,
            stranger=guard[2] == STRANGER,
        )
        for claim in MOMENT_CLAIMS:
            if not claim(moment):
                raise Broken(claim.__name__, str(moment))

    # --- moving ---

    def moves(self, x: State) -> list[Move]:
        """Return every move from a state: its price, its name, and where it leads."""
        if x[3]:
            return list(self._in_hand(x))
        s, g, e, _, u, d = x
        around = self.arounds.values[e]
        found: list[Move] = []
        due = self.stations.keys[s][2]
        if around.frozen or due is None or due < 0:
            found.append((0, QUARTER, self._quarter(x)))
        elif not around.frozen:
            found.append((0, "the engine looks again", self._heard(x, ("tick",))))
        for asked, name, after, passes in self._turns(e):
            # Without water coming in, a float does not rise by itself.
            price = 1 if name is RISES and not self.guards.on[g] else asked
            if passes:
                g2, hand = self._pass(g, after, self._again(g, around, after))
                found.append((price, name, (s, g2, after, hand, u, d)))
            else:
                found.append((price, name, (s, g, after, 0, u, d)))
        found += self._water(x, around)
        if not around.frozen:
            found += self._engine(x, around)
        found += self._faults(x, around)
        if around.link and (u or d):
            found += self._kept(x, around)
        elif u or d:
            found.append((0, "what is on the way is lost", (s, g, e, 0, 0, 0)))
        return found

    def _turns(self, e: int) -> list[tuple[int, str, int, bool]]:
        """Return the turns of sensors and connections: price, name, surroundings, edge or not."""
        known: list[tuple[int, str, int, bool]] | None = self.memo.get(("turns", e))
        if known is not None:
            return known
        at, found = self.arounds.values[e], []
        for part, names in ODD.items():
            now = getattr(at, part)
            for value, name in names.items():
                full = part == "high" and value == 1 and self.to_mark and at.band >= NEED_BAND - 1
                price = 0 if value == 0 or full else 1
                if value != now:
                    after = self._around(Around(**{**at._asdict(), part: value}))
                    found.append((price, name, after, part in SWITCHES))
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

    def _again(self, g: int, before: Around, after: int) -> int:
        """On a new connection the node tells once more what its guard has done."""
        cause, fill = self.guards.keys[g][5], self.guards.keys[g][1]
        back = self.arounds.values[after].link and not before.link and not before.mute
        return self._add(0, ("report", fill, cause)) if back and cause else 0

    def _around(self, around: Around) -> int:
        dark = around.dark if around.mute or around.frozen or not around.link else 0
        return self.arounds.number(around._replace(dark=dark))

    def _quarter(self, x: State) -> State:
        """Let a quarter of a second pass: lease's end and node's pass come by themselves."""
        s, g, e, _, u, d = x
        known = self.memo.get(("quarter", g, e))
        if known is None:
            at = self.arounds.values[e]
            dark = at.mute or at.frozen or not at.link
            at = at._replace(
                slot=(at.slot + 1) % PERIOD,
                dark=min(at.dark + 1, TTL) if dark else 0,
                restarted=min(at.restarted + 1, TTL),
            )
            after, hand = self.guards.aged(g), 0
            e2 = self.arounds.number(at)
            if self.guards.due[after]:
                before, after = after, self.guards.step(after, ("tick",))[0]
                hand = self._with_report(hand, before, after, at)
            if at.slot == 0:
                after, hand = self._pass(after, e2, hand)
            known = self.memo["quarter", g, e] = (after, e2, hand)
        after, e2, hand = known
        return self.stations.aged(s), after, e2, hand, self._older(u), self._older(d)

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

    def _with_report(self, hand: int, before: int, after: int, at: Around) -> int:
        """Add the guard's report when it gave a cause of its own; without one it says nothing."""
        old, new = self.guards.keys[before], self.guards.keys[after]
        told = (self.guards.on[before], old[1], old[5]) == (self.guards.on[after], new[1], new[5])
        if told or not new[5] or at.mute or not at.link:
            return hand
        return self._add(hand, ("report", new[1], new[5]))

    def _add(self, hand: int, *notes: Message) -> int:
        numbers = tuple(self.notes.number(note) for note in notes)
        return self.hands.number((*self.hands.values[hand], *numbers)) if notes else hand

    def _pass(self, g: int, e: int, hand: int = 0) -> tuple[int, int]:
        """One pass of the node: local switches, guard, readings, report. As `monitor.node` does."""
        known: tuple[int, int] | None = self.memo.get(("pass", g, e, hand))
        if known is None:
            at = self.arounds.values[e]
            causes = [cause for part, value, cause in TRIPS if getattr(at, part) == value]
            after = g
            if causes:
                after = self.guards.step(after, ("trip", causes[0]))[0]
            elif self.guards.keys[after][0] is GuardPhase.BLOCKED:
                after = self.guards.step(after, ("clear",))[0]
            after = self.guards.step(after, ("tick",))[0]
            hand = self._pack(hand, g, after, at)
            known = after, self._with_report(hand, g, after, at)
            self.memo["pass", g, e, hand] = known
        return known

    def _pack(self, hand: int, before: int, after: int, at: Around) -> int:
        if at.mute or not at.link:
            return hand
        true_lpm = 10 if self.guards.on[before] else 0
        flow = FLOWS_LPM.get(at.flow, true_lpm)
        said = (at.high, at.over, at.wet, at.temp, flow, at.band, self.guards.on[after])
        return self._add(hand, ("pack", "n", FRESH, 0, *said))

    def _water(self, x: State, at: Around) -> Iterator[Move]:
        """Water goes on through the meter; or has done so for very long, unseen."""
        s, g, e, _, u, d = x
        on = self.guards.on[g]
        key = self.stations.keys[s]
        runs = (on and at.flow == 0) or at.flow == 2
        if runs and key[0] in UNDER_WAY and at.band < len(BANDS_L) - 1:
            price = 0 if at.band < NEED_BAND or at.flow == 2 else 1
            e2 = self.arounds.number(at._replace(band=at.band + 1))
            yield price, "more water has come", (s, g, e2, 0, u, d)
        if key[0] in (Phase.FILLING, Phase.HOLDING) and key[3][4] == 0:
            fill = (*key[3][:4], TIME_LIMIT - 1, *key[3][5:])
            s2 = self.stations.number((*key[:3], fill, *key[4:]))
            yield 1, "the fill has lasted almost as long as it may", (s2, g, e, 0, u, d)
        held = self.guards.keys[g]
        if on and held[4] == 0:
            g2 = self.guards.number((*held[:4], OPEN_MAX - 1, *held[5:]))
            yield 1, "the valve has been open almost as long as it ever may", (s, g2, e, 0, u, d)

    def _engine(self, x: State, at: Around) -> Iterator[Move]:
        """What reaches a running engine besides messages of the node."""
        key = self.stations.keys[x[0]]
        if key[10] is not at.link:
            yield 0, "the engine notices the broker", self._heard(x, ("linked", at.link))
        gone = key[11]
        name = "the node is reported " + ("back" if gone else "gone")
        if at.link:
            yield int(not gone), name, self._heard(x, ("here", gone))
            for verb in ("fill", "stop", "reset", "ack"):
                name = f"a person asks: {verb}"
                yield 0, name, self._heard(x, ("ask", verb, self.to_mark))
        yield 1, "the engine's clock runs back", self._heard(x, ("back",))

    def _faults(self, x: State, at: Around) -> Iterator[Move]:
        """Restarts, and failures of the guard's own shell."""
        s, g, e, _, u, d = x
        for name, note in (
            ("the guard's clock runs back", ("back",)), ("the guard's shell fails", ("fail",)),
        ):  # fmt: skip
            g2 = self.guards.step(g, note)[0]
            yield 1, name, (s, g2, e, self._with_report(0, g, g2, at), u, d)
        if at.link:
            permit: Message = ("permit", STRANGER, STRANGER, FRESH, 0, True)
            yield 1, "a second engine sends a permit", self._obey(x, permit)
        interrupted = self.stations.keys[s][0] in UNDER_WAY
        s2 = self.stations.number(key_of(Station(interrupted=interrupted)))
        g2, u2, d2 = self._renamed(g, u, d, engine=True)
        e2 = self._around(at._replace(frozen=False, restarted=0))
        yield 1, "the engine is started anew", (s2, g2, e2, 0, u2, d2)
        s3, u3, d3 = self._rebooted(s, u, d)
        yield 1, "the node is started anew", (s3, self.first()[1], e, 0, u3, d3)

    # --- messages ---

    def _in_hand(self, x: State) -> Iterator[Move]:
        """Deal with the first message in hand."""
        s, g, e, p, u, d = x
        head, *rest = self.hands.values[p]
        after = self.hands.number(tuple(rest))
        at, note = self.arounds.values[e], self.notes.values[head]
        kind, down = note[0], note[0] in ("permit", "withdraw")
        lost = (s, g, e, after, u, d)
        kept = self._keep(head)
        held = (s, g, e, after, u, kept) if down else (s, g, e, after, kept, d)
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
            band = self.arounds.values[both[2]].band
            copy = self.notes.number((*note[:2], KNOWN, *note[3:9], band, note[10]))
            both = (*both[:4], copy, both[5])
        yield 1, f"the {kind} arrives, and a copy is kept", both

    def _keep(self, number: int) -> int:
        note = self.notes.values[number]
        at = {"pack": 2, "permit": 3, "withdraw": 3}.get(note[0])
        return number if at is None else self.notes.number((*note[:at], NEWER, *note[at + 1 :]))

    def _kept(self, x: State, at: Around) -> Iterator[Move]:
        """What was kept back arrives, once more or for the last time, or is lost."""
        s, g, e, _, u, d = x
        if u:
            note = self.notes.values[u]
            yield 0, f"the kept {note[0]} is lost", (s, g, e, 0, 0, d)
            if not at.frozen:
                yield 0, f"the kept {note[0]} arrives", self._arrive(x, note)
        if d:
            note = self.notes.values[d]
            yield 0, f"the kept {note[0]} is lost", (s, g, e, 0, u, 0)
            yield 0, f"the kept {note[0]} arrives", self._arrive(x, note)

    def _arrive(self, x: State, note: Message) -> State:
        return self._obey(x, note) if note[0] in ("permit", "withdraw") else self._heard(x, note)

    def _heard(self, x: State, note: Message) -> State:
        """Step the station with an input, and take up what it sends."""
        s, g, e, p, u, d = x
        outcome = self.stations.step(s, note)
        if note[0] == "pack" and u and self.notes.values[u][:2] == note[:2]:
            u = self._taken(u, 2, outcome.took, OLDER if outcome.took > NEWER else KNOWN)
        if outcome.begun or outcome.over:
            e = self.arounds.number(self.arounds.values[e]._replace(band=0))
            if u and self.notes.values[u][0] == "pack":
                kept = self.notes.values[u]
                u = self.notes.number((*kept[:9], 0, kept[10]))
        if outcome.asked:
            g, u, d = self._renamed(g, u, d, engine=False)
        return outcome.state, g, e, self._add(p, *outcome.sent), u, d

    def _obey(self, x: State, note: Message) -> State:
        """Step the guard with what the engine says; after a withdrawal the node reads anew."""
        s, g, e, p, u, d = x
        at = self.arounds.values[e]
        after, took = self.guards.step(g, note)
        if d:
            d = self._taken(d, 3, took, KNOWN)
        p = self._with_report(p, g, after, at)
        if note[0] == "withdraw":
            p = self._pack(p, g, after, at)
        return s, after, e, p, u, d

    def _taken(self, number: int, at: int, took: int, then: int) -> int:
        """Return a kept message after `took` was taken: no longer newer than what was."""
        note = self.notes.values[number]
        if note[0] == "report" or note[at] > took or took == SEQ:
            return number
        return self.notes.number((*note[:at], then, *note[at + 1 :]))

    # --- names ---

    def _renamed(self, g: int, u: int, d: int, *, engine: bool) -> tuple[int, int, int]:
        """The present fill (and the engine, too) becomes an older one: give names anew."""
        known: tuple[int, int, int] | None = self.memo.get(("renamed", g, u, d, engine))
        if known is not None:
            return known
        key, up, down = self.guards.keys[g], self.notes.values[u], self.notes.values[d]
        reported = up[1] if up and up[0] == "report" else ""
        fills = _names(key[1], down[1] if down else "", reported)
        engines = _names(key[2], down[2] if down else "") if engine else {}
        spent = tuple(sorted(fills[name] for name in key[6] if name in fills))
        key = (key[0], fills.get(key[1], ""), engines.get(key[2], key[2]), *key[3:6], spent)
        if up and up[0] == "report":
            up = (up[0], fills.get(up[1], ""), up[2])
        if down:
            down = (down[0], fills[down[1]], engines.get(down[2], down[2]), *down[3:])
        known = self.guards.number(key), self.notes.number(up), self.notes.number(down)
        self.memo["renamed", g, u, d, engine] = known
        return known

    def _rebooted(self, s: int, u: int, d: int) -> tuple[int, int, int]:
        """The node's present boot becomes an older one."""
        key, up, down = self.stations.keys[s], self.notes.values[u], self.notes.values[d]
        fill, senses = key[3], key[4]
        boots = _names(senses[0], fill[2] if fill else "", up[1] if up and up[0] == "pack" else "")
        fill = fill if fill is None else (*fill[:2], boots.get(fill[2], ""), *fill[3:])
        former = tuple(sorted(boots[name] for name in senses[5] if name in boots))
        senses = (boots.get(senses[0], ""), *senses[1:5], former, *senses[6:])
        key = (*key[:3], fill, senses, *key[5:])
        if up and up[0] == "pack":
            up = (up[0], boots[up[1]], *up[2:])
        if down and down[0] == "permit":
            down = (*down[:5], False)
        return self.stations.number(key), self.notes.number(up), self.notes.number(down)


def _names(*used: str) -> dict[str, str]:
    """Return new names for old ones, in the order they come. A stranger keeps its own."""
    distinct = list(dict.fromkeys(name for name in used if name not in ("", STRANGER)))
    return {STRANGER: STRANGER, **dict(zip(distinct, OLD_NAMES, strict=False))}
