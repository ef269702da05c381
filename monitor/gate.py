"""A gate: one way for water, with the guard that decides, the relay that obeys and the sensors that
may shut it without asking anybody.

A node has a gate for water in and, where a drain valve or pump is fitted, one for water out. Each
has a guard of its own, so that nothing said of the one way is leave for the other. Between them
stands one rule: never both relays on. Shutting asks nobody: not the other gate, not the network.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

from monitor.core import guard
from monitor.core.exchange import GuardReport, Way
from monitor.core.guard import Failure, GuardInput, GuardPhase, GuardState
from monitor.core.limits import Limits
from monitor.core.reading import Sample
from monitor.ports import ValveRelay

ENDS = ("mark", "low-mark")  # the water is where it should be: an end and not a fault
QUIET_CAUSES = ("", *ENDS, "person")  # ways to shut that need no sounder
OVERFLOWS = ("W01", "W08", "W21")  # water past a second float, in the sump, in the waste vessel
BOTH_WAYS = "C12"  # somebody gave leave for both ways at once: neither is obeyed


@dataclass(frozen=True, slots=True)
class LocalTrip:
    """A sensor wired to this node that shuts a gate without asking anybody."""

    high_cause: str  # what its value 1.0 means: "mark" for a high float, "W06" for a wet probe
    unread_cause: str  # what it means when it cannot be read


class Gate:
    """One way for water. It is shut until its sensors have said that they are well."""

    def __init__(
        self,
        *,
        way: Way,
        boot: str,
        relay: ValveRelay,
        trips: Mapping[str, LocalTrip],
        limits: Limits,
    ) -> None:
        """Keep the parts; `part` tells it of the other gate."""
        self.way = way
        self.relay = relay
        self.trips = dict(trips)
        self.state = GuardState(boot=boot)
        self.trip = ""  # why a local sensor says stop now
        self._limits = limits
        self._other: Gate | None = None
        self._told: tuple[bool, str, str] | None = None
        self.untold = False  # the last report could not be sent

    def part(self, other: Gate) -> None:
        """Never be open together with this gate."""
        self._other, other._other = other, self

    # --- the guard and its relay ---

    def act(self, given: GuardInput, now_s: float) -> None:
        """Step the guard and set the relay to what it says. The only place that may energise."""
        self.state = guard.step(self.state, given, now_s, self._limits)
        if not guard.energised(self.state, now_s, self._limits):
            self.relay.release()
        elif self._other is not None and self._other.relay.energised:
            release((self.relay, self._other.relay))
            self.fail(BOTH_WAYS, now_s)
            self._other.fail(BOTH_WAYS, now_s)
        elif not self.relay.energised:
            self.relay.energise()

    def fail(self, cause: str, now_s: float) -> None:
        """Shut for good: this fill will not open the gate again."""
        self.relay.release()
        self.state = guard.step(self.state, Failure(cause), now_s, self._limits)

    def look(self, samples: Sequence[Sample]) -> bool:
        """Keep the worst that the local sensors say in `trip`; return whether it is news."""
        causes = [
            trip.unread_cause if sample.value is None else trip.high_cause
            for sample in samples
            if (trip := self.trips.get(sample.sensor)) is not None
            and (sample.value is None or sample.value > 0.0)
        ]
        before, self.trip = self.trip, max(causes, key=_rank, default="")
        return self.trip != before

    # --- when the permit ends ---

    @property
    def is_open(self) -> bool:
        """Whether the guard has leave to hold it open."""
        return self.state.phase is GuardPhase.OPEN

    @property
    def permit_from_s(self) -> float:
        """When the newest permit was earned, on this node's clock."""
        return self.state.until_s - self._limits.permit_ttl_s

    @property
    def late_s(self) -> float:
        """When the next permit is late enough to ask whose fault it is."""
        return self.permit_from_s + self._limits.suspect_s

    @property
    def deadline_s(self) -> float | None:
        """When `act` must be called at the latest, or None when nothing runs."""
        return guard.deadline_s(self.state, self._limits)

    # --- what it tells ---

    @property
    def is_alarming(self) -> bool:
        """Whether it was shut, or is kept shut, by what people must hear of.

        What keeps a drain from starting (a full waste vessel) is told when somebody wants to start
        one; with nothing running it is no reason to sound.
        """
        kept = self.trip if self.way is Way.IN else ""
        return not {self.state.cause, kept} <= set(QUIET_CAUSES)

    def tell(
        self, station: str, node: str, now_s: float, send: Callable[[GuardReport], bool]
    ) -> bool:
        """Report what the guard did, once a change, and again until it could be sent. Return
        whether the news is that it shut for a reason people must hear of.
        """
        now = (self.relay.energised, self.state.fill, self.state.cause)
        is_news = now != self._told
        if not is_news and not self.untold:
            return False
        energised, fill, cause = self._told = now
        self.untold = not send(
            GuardReport(
                station=station,
                node=node,
                boot=self.state.boot,
                uptime_s=now_s,
                valve_open=energised,
                fill=fill or None,
                cause=cause or None,
                way=self.way,
            )
        )
        return is_news and not energised and cause not in QUIET_CAUSES


def release(relays: Iterable[ValveRelay]) -> None:
    """Let all of them go; one that fails keeps no other from it."""
    with ExitStack() as stack:
        for relay in relays:
            stack.callback(relay.release)


def _rank(cause: str) -> tuple[bool, bool, bool]:
    """Return how much a local trip's cause weighs. A wet probe outranks a high float."""
    return cause == "W06", cause in OVERFLOWS, cause not in ENDS
