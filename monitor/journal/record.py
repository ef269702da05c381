"""The engine's view of the record: its fills, samples and alarms as rows of the journal."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from monitor.core.events import Given
from monitor.core.facts import Facts
from monitor.core.fills import duration_s, overrun_l
from monitor.core.plan import Fill, Plan, Station
from monitor.core.priors import Priors
from monitor.core.vessel import Vessel
from monitor.journal.recall import CLOCK_FLOOR, clock_is_set
from monitor.journal.rows import (
    AlarmMark,
    EventMark,
    FillEnd,
    FillSample,
    FillStart,
    NoteMark,
    Outcome,
)
from monitor.journal.tape import encode
from monitor.journal.writer import JournalWriter

SILENT = "The record did not answer in time, so nothing counts as proven."


def _start_level_m(vessel: Vessel, fill: Fill) -> float | None:
    """Return the water's height before a fill: by its level sensor, or by what is missing up to
    the mark when it is to end there.
    """
    if isfinite(fill.start_l):
        return vessel.level_at(fill.start_l)
    return vessel.level_at(vessel.litres_to_mark(0.0) - fill.need_l) if fill.to_mark else None


class JournalRecord:
    """Satisfies `ports.Record` on a `JournalWriter`."""

    def __init__(self, writer: JournalWriter) -> None:
        """Keep the writer; its owner closes it."""
        self._writer = writer

    def interrupted(self, station: str) -> tuple[str, ...]:
        """Return the ids of fills that began and never ended."""
        rows = self._writer.open_fills(station)
        return () if rows is None else tuple(row.id for row in rows)

    def begin(
        self,
        plan: Plan,
        fill: Fill,
        now_s: float,
        simulated: bool,
        drained_l: float | None = None,
    ) -> None:
        """A fill's valve is about to open."""
        self._writer.begin_fill(
            FillStart(
                id=fill.id,
                station=plan.station,
                at_s=now_s,
                started_by=fill.by,
                attended=fill.attended,
                simulated=simulated,
                need_l=fill.need_l,
                level_m=_start_level_m(plan.vessel, fill),
                mark_m=plan.vessel.mark_m,
                band_low_c=plan.low_c,
                band_high_c=plan.high_c,
                way=fill.way,
                drained_l=drained_l,
                pulses_per_litre=plan.pulses_per_litre,
                flow_uncertainty=plan.flow_uncertainty,
            )
        )

    def sample(
        self,
        fill: str,
        t_s: float,
        temp_c: float | None,
        flow_lpm: float | None,
        volume_l: float,
        phase: str,
        level_m: float | None = None,
        tank_c: float | None = None,
    ) -> None:
        """Keep one moment of a running fill."""
        self._writer.sample(
            FillSample(fill, t_s, temp_c, flow_lpm, volume_l, phase, level_m, tank_c)
        )

    def input(self, fill: str, at_s: float, what: Given | Station) -> None:
        """Keep an input of the core during a fill that was begun."""
        self._writer.input(fill, at_s, *encode(what))

    def end(self, fill: Fill, cause: str) -> None:
        """A fill is over."""
        ahead, at_s = fill.expected, fill.expected_at_s
        # A stopped fill is told twice; only the second time what still came is in its litres.
        settled = fill.ended == "done" or fill.accounted
        self._writer.end_fill(
            FillEnd(
                fill=fill.id,
                outcome=Outcome.DONE if fill.ended == "done" else Outcome.STOPPED,
                cause=cause,
                fill_s=duration_s(fill),
                delivered_l=fill.delivered_l,
                forecast_s=at_s + ahead.remaining_s if ahead is not None else None,
                forecast_low_s=at_s + ahead.low_s if ahead is not None else None,
                forecast_high_s=at_s + ahead.high_s if ahead is not None else None,
                start_flow_lpm=ahead.flow_lpm if ahead is not None else None,
                overrun_l=overrun_l(fill) if settled else None,
            )
        )

    def interrupt(self, fill: str, cause: str) -> None:
        """A fill left open by an earlier run is over, at its last sample."""
        self._writer.end_fill(FillEnd(fill, Outcome.INTERRUPTED, cause))

    def alarm(
        self,
        station: str,
        rule: str,
        severity: str,
        text: str,
        active: bool,
        fill: str | None,
        now_s: float,
    ) -> None:
        """An alarm was raised, changed or cleared."""
        self._writer.alarm(AlarmMark(station, rule, severity, now_s, text, fill, active))

    def event(self, station: str, kind: str, text: str, fill: str | None, now_s: float) -> None:
        """Anything else worth keeping."""
        self._writer.event(EventMark(station, kind, text, now_s, fill))

    def note(self, station: str, what: str, part: str, by: str, simulated: bool) -> None:
        """Keep what a person has done or proven."""
        self._writer.note(NoteMark(station, what, part, by, simulated))

    def facts(self, station: str, now_s: float, simulated: bool) -> Facts:
        """Return a station's upkeep; nothing is proven when the record does not answer in time."""
        found = self._writer.facts(station, simulated, now_s)
        return replace(found or Facts(), record=self.health() or ("" if found else SILENT))

    def priors(self, station: str, simulated: bool) -> Priors:
        """Return what the last fills teach; nothing when the record does not answer in time."""
        return self._writer.priors(station, simulated) or Priors()

    def health(self) -> str:
        """Return one sentence on how the record fares; empty when all is well."""
        health, wall = self._writer.health, self._writer.wall()
        if health.ok and not clock_is_set(wall):
            return (
                f"The clock was never set: it says {wall:%Y-%m-%d}, before {CLOCK_FLOOR.year}, so "
                "nothing has an age; connect it to the network, or fit a battery clock."
            )
        return "" if health.ok else health.text
