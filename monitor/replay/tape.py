"""A fill of the record, played again: the same state, the same inputs at the same engine seconds.

The core is pure, so it must decide the same; whether it did is told line by line against what the
record says happened. A tape begins when the valve opens and ends with the fill.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path

from monitor.app import plan_of
from monitor.config import Config
from monitor.core import station as stations
from monitor.core.events import Action, AlarmTurned, Given, SendWithdraw, Turned
from monitor.core.fills import expected
from monitor.core.phases import WATER_MAY_FLOW
from monitor.core.plan import Plan, Station
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmRecord, EventRecord, FillRecord, InputRecord
from monitor.journal.tape import STATE, decode
from monitor.replay.frames import RecordingError
from monitor.replay.lines import (
    FORECAST_EVERY_S,
    Line,
    alarm_line,
    close_line,
    forecast_line,
    rounded,
)

STANDING = ("B", "C")  # an alarm's states in which the record keeps it open
TOLD_WITHIN_S = 0.25  # the record dates a decision when it is said, a breath after it was made
EVENTS_MAX = 10_000
DIFFERENCES_MAX = 20

Step = tuple[float, Station, tuple[Action, ...]]


def steps(plan: Plan, tape: Iterable[InputRecord]) -> Iterator[Step]:
    """Yield the engine second, the state and the actions of each input of a tape, the state it
    begins with first.

    Raises:
        RecordingError: an input is missing, or the tape does not begin with a state.
    """
    state: Station | None = None
    last = 0
    for line in tape:
        if line.n != last + 1:
            raise RecordingError(f"the tape of this fill lacks its input {last + 1}",
                                 fix="only whole tapes can be played again")  # fmt: skip
        last = line.n
        what: Station | Given = decode(line.kind, line.payload)
        if isinstance(what, Station):
            state = what
            yield line.at_s, state, ()
        elif state is None:
            raise RecordingError(f"the tape begins with {line.kind}, not with a {STATE}")
        else:
            result = stations.step(plan, state, what, line.at_s)
            state = result.station
            yield line.at_s, state, result.actions


@dataclass(slots=True)
class Decisions:
    """Phases and alarms in order, each with its engine second."""

    phases: list[tuple[float, str]] = field(default_factory=list)
    alarms: list[tuple[float, str]] = field(default_factory=list)
    standing: set[str] = field(default_factory=set)

    def take(self, at_s: float, action: Action) -> None:
        """Note one. Alarms are paired as the record pairs them, by their hazard's id."""
        match action:
            case Turned():
                self.phases.append((at_s, action.phase.value))
            case AlarmTurned() if action.alarm.state.value in STANDING:
                if action.id not in self.standing:
                    self.alarms.append((at_s, action.id))
                self.standing.add(action.id)
            case AlarmTurned():
                self.standing.discard(action.id)
            case _:
                pass


def played(path: Path, name: str, config: Config) -> Iterator[Line]:
    """Yield the lines of a recorded fill played again, the summary last; seconds count from the
    opening of the valve.

    Raises:
        RecordingError: the config has no such station, or no whole tape was kept.
        BrimwatchError: the record cannot be read, or has no such fill.
    """
    with JournalReader(path) as reader:
        fill = reader.fill(name)
        tape = reader.inputs(fill.id)
        events = reader.events(fill=fill.id, limit=EVENTS_MAX)
        alarms = reader.alarms(fill=fill.id, limit=EVENTS_MAX)
    plan = plan_for_fill(fill, config)
    if not tape:
        raise RecordingError(f"the record kept no inputs of the fill {fill.id}", where=str(path))
    found = Decisions()
    counts: dict[str, int] = {}
    begun_s = tape[0].at_s
    told_s, at_s = -inf, begun_s
    for at_s, state, actions in steps(plan, tape):
        t_s = at_s - begun_s
        for line in _lines(t_s, actions):
            counts[line["kind"]] = counts.get(line["kind"], 0) + 1
            yield line
        for action in actions:
            found.take(at_s, action)
        if state.fill is not None and state.phase in WATER_MAY_FLOW and (
            t_s - told_s >= FORECAST_EVERY_S
        ):
            ahead = expected(state.fill, at_s)
            if ahead is not None:
                told_s = t_s
                counts["forecast"] = counts.get("forecast", 0) + 1
                yield forecast_line(t_s, ahead)
    differences = compared(found, events, alarms, begun_s, at_s)
    yield {
        "kind": "summary",
        "t_s": rounded(at_s - begun_s),
        "station": plan.station,
        "fill": fill.id,
        "simulated": fill.simulated,
        "inputs": len(tape),
        "same": not differences,
        "differences": differences[:DIFFERENCES_MAX],
        "phases": [{"t_s": rounded(t - begun_s), "phase": phase} for t, phase in found.phases],
        "forecasts": counts.get("forecast", 0),
        "closes": counts.get("close", 0),
        "alarms": counts.get("alarm", 0),
    }


def plan_for_fill(fill: FillRecord, config: Config) -> Plan:
    """Return the plan of a recorded fill's station, with the meter's constant of that day.

    Raises:
        RecordingError: the config has no such station.
    """
    station = config.stations.get(fill.station)
    if station is None:
        raise RecordingError(f"the config has no station {fill.station!r}", where=config.file,
                             allowed=", ".join(config.stations))  # fmt: skip
    plan = plan_of(station, simulated=fill.simulated)
    if fill.pulses_per_litre is None or fill.flow_uncertainty is None:
        return plan  # of an older form, which did not keep them
    return replace(plan, pulses_per_litre=fill.pulses_per_litre,
                   flow_uncertainty=fill.flow_uncertainty)  # fmt: skip


def _lines(t_s: float, actions: tuple[Action, ...]) -> Iterator[Line]:
    keys = {a.cause: a.key for a in actions if isinstance(a, Turned)}
    for action in actions:
        match action:
            case AlarmTurned() if action.alarm.state.value == "B":
                yield alarm_line(t_s, action)
            case SendWithdraw():
                cause = action.withdraw.cause
                yield close_line(t_s, cause, keys.get(cause, cause),
                                 hold=action.withdraw.resumable)  # fmt: skip
            case _:
                pass


def compared(
    found: Decisions,
    events: Sequence[EventRecord],
    alarms: Sequence[AlarmRecord],
    begun_s: float,
    until_s: float,
) -> list[str]:
    """Return in what the decisions differ from the record between the tape's begin and its end."""
    span = (begun_s - TOLD_WITHIN_S, until_s + TOLD_WITHIN_S)

    def within(at_s: float | None) -> bool:
        return at_s is not None and span[0] <= at_s <= span[1]

    # The turn that opened the valve is in the state the tape begins with.
    phases = [(e.at_s or 0.0, e.text) for e in sorted(events, key=lambda e: e.id)
              if e.kind == "phase" and within(e.at_s)][1:]  # fmt: skip
    raised = [(a.raised_at_s or 0.0, a.rule) for a in sorted(alarms, key=lambda a: a.id)
              if within(a.raised_at_s)]  # fmt: skip
    return [*_unlike("phase", found.phases, phases), *_unlike("alarm", found.alarms, raised)]


def _unlike(
    what: str, ours: Sequence[tuple[float, str]], theirs: Sequence[tuple[float, str]]
) -> Iterator[str]:
    for place in range(max(len(ours), len(theirs))):
        one = ours[place] if place < len(ours) else (inf, "nothing")
        other = theirs[place] if place < len(theirs) else (inf, "nothing")
        near = one[0] == other[0] or abs(one[0] - other[0]) <= TOLD_WITHIN_S
        if one[1] != other[1] or not near:
            yield (
                f"{what} {place + 1}: played {one[1]} at {one[0]:.3f} s, "
                f"recorded {other[1]} at {other[0]:.3f} s"
            )
