"""The trend over fills: is the filter clogging, and when will the fill be too slow."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from typing import Any

from monitor.core.exchange import Way
from monitor.core.trend import Clogging, Crossing, FillFlow, Trend, clogging
from monitor.core.units import S_PER_DAY
from monitor.journal.history import NOTHING
from monitor.journal.rows import FillRecord, NoteRecord, Outcome, wall_text

FILLS_MAX = 10_000
DAYS_MAX = 3650.0  # a date further off than ten years is never
CARTRIDGE = "cartridge"


@dataclass(frozen=True, slots=True)
class FlowTrend:
    """One station's fills of the present cartridge, and what they say.

    `cartridge_since` is None when nobody has noted a new one: then all fills count.
    """

    station: str
    simulated: bool
    rows: tuple[tuple[FillRecord, float], ...]  # a fill, and litres through the cartridge after it
    clogging: Clogging
    too_slow_lpm: float
    cartridge_since: datetime | None
    cartridge_l: float

    @property
    def last(self) -> datetime | None:
        """Return when the newest fill began."""
        return self.rows[-1][0].started if self.rows else None


def flow_trend(
    station: str,
    fills: Sequence[FillRecord],
    notes: Iterable[NoteRecord],
    *,
    simulated: bool,
    too_slow_lpm: float,
) -> FlowTrend:
    """Return the trend of a station's fills, given newest first as the record gives them.

    Drains are left out, and so are fills of the other world. A fill counts for the litres however
    it ended, and for the flow when it ran long enough for one to be measured.
    """
    since = max((n.wall for n in notes if n.what == CARTRIDGE and n.station == station
                 and n.simulated is simulated), default=None)  # fmt: skip
    mine = [f for f in reversed(fills) if f.station == station and f.way is Way.IN
            and f.simulated is simulated and (since is None or f.started >= since)]  # fmt: skip
    litres = 0.0
    rows: list[tuple[FillRecord, float]] = []
    flows: list[FillFlow] = []
    for fill in mine:
        before_l = litres
        litres += fill.delivered_l or 0.0
        rows.append((fill, litres))
        if fill.start_flow_lpm is not None and fill.outcome is not Outcome.INTERRUPTED:
            day = (fill.started - mine[0].started).total_seconds() / S_PER_DAY
            flows.append(FillFlow(day, fill.start_flow_lpm, before_l))
    told = clogging(flows, too_slow_lpm)
    return FlowTrend(station, simulated, tuple(rows), told, too_slow_lpm, since, litres)


def as_lines(trend: FlowTrend) -> list[dict[str, Any]]:
    """Return a line for each fill and a last one for the trend, as plain JSON values."""
    lines: list[dict[str, Any]] = [
        {
            "kind": "fill",
            "fill": fill.id,
            "started": wall_text(fill.started),
            "start_flow_lpm": fill.start_flow_lpm,
            "delivered_l": fill.delivered_l,
            "cartridge_l": round(litres, 1),
        }
        for fill, litres in trend.rows
    ]
    told = trend.clogging
    falling = told.trend is Trend.FALLING
    days = told.days if falling else None
    lines.append(
        {
            "kind": "trend",
            "station": trend.station,
            "simulated": trend.simulated,
            "fills": told.fills,
            "trend": told.trend.value,
            "lost_percent": _rounded(told.lost_percent),
            "too_slow_lpm": trend.too_slow_lpm,
            "too_slow_on": _date(trend, days.median if days else None),
            "too_slow_earliest": _date(trend, days.earliest if days else None),
            "too_slow_latest": _date(trend, days.latest if days else None),
            "too_slow_after_l": _three(told.litres if falling else None),
            "cartridge_since": wall_text(trend.cartridge_since) if trend.cartridge_since else None,
            "cartridge_l": round(trend.cartridge_l, 1),
        }
    )
    return lines


def as_text(trend: FlowTrend) -> str:
    """Return the trend as a person reads it."""
    lines = [f"{'started':<17}  {'flow at start':>13}  {'litres':>7}  {'through cartridge':>17}"]
    for fill, litres in trend.rows:
        flow = NOTHING if fill.start_flow_lpm is None else f"{fill.start_flow_lpm:.2f} L/min"
        went = NOTHING if fill.delivered_l is None else f"{fill.delivered_l:.0f}"
        when = fill.started.astimezone()
        lines.append(f"{when:%Y-%m-%d %H:%M}   {flow:>13}  {went:>7}  {litres:>15.0f} L")
    return "\n".join([*lines, "", *_sentences(trend)])


def _sentences(trend: FlowTrend) -> list[str]:
    told, word = trend.clogging, "SIMULATED " if trend.simulated else ""
    since = (
        f"since the cartridge was new on {trend.cartridge_since.astimezone():%Y-%m-%d}"
        if trend.cartridge_since is not None
        else "on record (nobody has noted a new cartridge)"
    )
    count = f"{told.fills} fill{'' if told.fills == 1 else 's'} with a flow"
    first = f"{word}{trend.station}: {count} {since}, {trend.cartridge_l:.0f} L."
    if told.trend is not Trend.FALLING or told.days is None:
        return [first, "No decline of the flow is proven."]
    lost = told.lost_percent
    how = f"down by {lost:.0f} %" if lost is not None else "falling"
    when = _date(trend, told.days.median)
    soonest, latest = _date(trend, told.days.earliest), _date(trend, told.days.latest)
    end = f"below {trend.too_slow_lpm:g} L/min on {when}" if when else "not too slow in ten years"
    return [
        first,
        f"The flow is {how}; {end} (90 % interval: {soonest or 'never'} to {latest or 'never'}).",
    ]


def _rounded(value: float | None) -> float | None:
    return None if value is None or not isfinite(value) else round(value, 2)


def _three(ahead: Crossing | None) -> list[float | None] | None:
    """Return earliest, median and latest; None for never."""
    if ahead is None:
        return None
    return [_rounded(value) for value in (ahead.earliest, ahead.median, ahead.latest)]


def _date(trend: FlowTrend, days: float | None) -> str | None:
    """Return the day so many days after the last fill; None for never, or no trend."""
    if days is None or not days <= DAYS_MAX or trend.last is None:
        return None
    return (trend.last + timedelta(days=days)).date().isoformat()
