"""The engine's view of the record: its fills, samples and alarms as rows of the journal."""

from __future__ import annotations

from monitor.core.fills import duration_s
from monitor.core.plan import Fill, Plan
from monitor.core.vessel import Vessel
from monitor.journal.rows import AlarmMark, EventMark, FillEnd, FillSample, FillStart, Outcome
from monitor.journal.writer import JournalWriter


def _start_level_m(vessel: Vessel, need_l: float) -> float:
    """Return the water's height before a fill of `need_l` litres that ends at the mark."""
    return vessel.level_at(vessel.litres_to_mark(0.0) - need_l)


class JournalRecord:
    """Satisfies `ports.Record` on a `JournalWriter`."""

    def __init__(self, writer: JournalWriter) -> None:
        """Keep the writer; its owner closes it."""
        self._writer = writer

    def interrupted(self, station: str) -> tuple[str, ...]:
        """Return the ids of fills that began and never ended."""
        rows = self._writer.open_fills(station)
        return () if rows is None else tuple(row.id for row in rows)

    def begin(self, plan: Plan, fill: Fill, now_s: float, simulated: bool) -> None:
        """A fill's valve is about to open."""
        self._writer.begin_fill(
            FillStart(
                id=fill.id,
                station=plan.station,
                at_s=now_s,
                started_by=fill.by,
                attended=False,
                simulated=simulated,
                need_l=fill.need_l,
                level_m=_start_level_m(plan.vessel, fill.need_l) if fill.to_mark else None,
                mark_m=plan.vessel.mark_m,
                band_low_c=plan.low_c,
                band_high_c=plan.high_c,
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
    ) -> None:
        """Keep one moment of a running fill."""
        self._writer.sample(FillSample(fill, t_s, temp_c, flow_lpm, volume_l, phase))

    def end(self, fill: Fill, cause: str) -> None:
        """A fill is over."""
        ahead, at_s = fill.expected, fill.expected_at_s
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

    def health(self) -> str:
        """Return one sentence on how the record fares; empty when all is well."""
        health = self._writer.health
        return "" if health.ok else health.text
