"""One recorded fill as lines over time: what was measured, what was foretold, what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, isfinite, nan

from monitor.core.fills import expected
from monitor.core.forecast import FAR_S
from monitor.core.hazards import RULES
from monitor.core.messages import TEXTS
from monitor.core.phases import WATER_MAY_FLOW
from monitor.core.plan import Plan, Station
from monitor.errors import BrimwatchError
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmRecord, EventRecord, FillRecord, FillSample, InputRecord
from monitor.replay.tape import EVENTS_MAX, steps

Series = list[tuple[float, float]]
CONE_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Foretold:
    """At `t_s` the end was foretold for `end_s`, with its 90 % interval; seconds of the fill."""

    t_s: float
    end_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class Happening:
    """Something to be marked on the time axis."""

    t_s: float
    words: str
    severity: str = ""  # of an alarm; empty for anything else


@dataclass(slots=True)
class Trace:
    """Everything of one fill. Seconds count from the first opening of the valve."""

    fill: FillRecord
    flow_lpm: Series = field(default_factory=list)
    volume_l: Series = field(default_factory=list)
    level_m: Series = field(default_factory=list)
    incoming_c: Series = field(default_factory=list)
    tank_c: Series = field(default_factory=list)
    cone: list[Foretold] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    without_tape: str = ""  # why there is no forecast along the fill

    @property
    def until_s(self) -> float:
        """Return the end of the time axis."""
        ends = [series[-1][0] for series in (self.flow_lpm, self.volume_l, self.level_m,
                                             self.incoming_c) if series]  # fmt: skip
        return max(*ends, self.fill.fill_s or 0.0, 1.0) if ends else max(self.fill.fill_s or 0, 1.0)


def traced(reader: JournalReader, fill: FillRecord, plan: Plan | None) -> Trace:
    """Return a fill's trace: from its inputs played again where the record kept them all and the
    config (`plan`) still has the station; else from its samples, without forecasts.
    """
    trace = Trace(fill)
    tape = reader.inputs(fill.id)
    if plan is None or not tape:
        trace.without_tape = (
            "the record kept no inputs of it" if plan is not None else "the config has no such "
            "station"
        )  # fmt: skip
        _from_samples(trace, reader.samples(fill.id))
    else:
        try:
            _from_tape(trace, plan, tape)
        except BrimwatchError as error:
            trace = Trace(fill, without_tape=error.what)
            _from_samples(trace, reader.samples(fill.id))
    alarms = reader.alarms(fill=fill.id, limit=EVENTS_MAX)
    events = reader.events(fill=fill.id, limit=EVENTS_MAX)
    trace.happenings = _happenings(fill, alarms, events)
    return trace


def _from_samples(trace: Trace, samples: Sequence[FillSample]) -> None:
    for sample in samples:
        t_s = sample.t_s
        _add(trace.flow_lpm, t_s, sample.flow_lpm)
        _add(trace.volume_l, t_s, sample.volume_l)
        _add(trace.level_m, t_s, sample.level_m)
        _add(trace.incoming_c, t_s, sample.temp_c)
        _add(trace.tank_c, t_s, sample.tank_c)


def _from_tape(trace: Trace, plan: Plan, tape: Sequence[InputRecord]) -> None:
    begun_s, heard_s, told_s = tape[0].at_s, -inf, -inf
    for at_s, state, _ in steps(plan, tape):
        t_s = at_s - begun_s
        if state.senses.heard_s > heard_s:
            heard_s = state.senses.heard_s
            _add(trace.flow_lpm, t_s, _good(state, plan.flow_in))
            _add(trace.level_m, t_s, _good(state, plan.level))
            _add(trace.incoming_c, t_s, _good(state, plan.temp_in))
            _add(trace.tank_c, t_s, _good(state, plan.temp_tank))
            if state.fill is not None:
                _add(trace.volume_l, t_s, state.fill.delivered_l)
        if t_s - told_s >= CONE_EVERY_S and state.phase in WATER_MAY_FLOW:
            ahead = expected(state.fill, at_s) if state.fill is not None else None
            if ahead is not None and ahead.high_s < FAR_S:
                told_s = t_s
                trace.cone.append(Foretold(t_s, t_s + ahead.remaining_s, t_s + ahead.low_s,
                                           t_s + ahead.high_s))  # fmt: skip


def _good(state: Station, sensor: str) -> float:
    track = state.senses.tracks.get(sensor)
    return track.value if track is not None and track.fault is None else nan


def _add(series: Series, t_s: float, value: float | None) -> None:
    if value is not None and isfinite(value):
        series.append((t_s, value))


def _happenings(
    fill: FillRecord, alarms: Sequence[AlarmRecord], events: Sequence[EventRecord]
) -> list[Happening]:
    begun_s = fill.started_at_s
    if begun_s is None:
        return []
    found = [
        Happening(at_s - begun_s, f"{alarm.rule}: {alarm.text}", alarm.severity)
        for alarm in alarms
        if (at_s := alarm.raised_at_s) is not None
    ]
    found += [
        Happening(at_s - begun_s, f"{event.kind}: {event.text}")
        for event in events
        if (at_s := event.at_s) is not None
    ]
    return sorted(found, key=lambda each: each.t_s)


def cause_words(fill: FillRecord) -> str:
    """Return how a fill ended, in words."""
    if fill.outcome is None:
        return "It still runs, or its engine is gone."
    if fill.outcome == "done":
        return "It ended where it should."
    if fill.cause == "person":
        return "A person stopped it."
    known = next((TEXTS[rule.key].message for rule in RULES if rule.id == fill.cause), "")
    return f"It was {fill.outcome}, cause {fill.cause or 'unknown'}. {known}".strip()
