"""The history of fills for people: an aligned table, or dictionaries for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime, tzinfo

from monitor.core.units import S_PER_MIN
from monitor.journal.rows import (
    AlarmRecord,
    EventRecord,
    FillRecord,
    FillSample,
    NoteRecord,
    clean_text,
    wall_text,
)

HEAD = ("started", "fill", "way", "litres", "minutes", "forecast", "°C min/mean/max", "result")
LEFT = {"started", "fill", "way", "result"}
GAP = "  "
ID_SHOWN = 12
CAUSE_SHOWN = 48
NOTHING = "–"

Record = FillRecord | FillSample | AlarmRecord | EventRecord | NoteRecord


def as_dict(record: Record) -> dict[str, object]:
    """Return a row of the record as plain JSON values; wall times as ISO 8601 in UTC."""
    return {field.name: _plain(getattr(record, field.name)) for field in fields(record)}


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return wall_text(value)
    return str(value) if isinstance(value, str) else value


def render_history(fills: Sequence[FillRecord], *, zone: tzinfo | None = None) -> str:
    """Return the fills as an aligned table, one line each, in the order given.

    Times are shown in `zone`, the machine's own when None. The `way` of a drain is out. Under
    `litres` stands what was delivered and what was needed; under `forecast` the minutes foretold
    at the start and by how much the truth differed (for a fill that reached its mark).
    """
    if not fills:
        return "No fill is recorded yet.\n"
    table = [HEAD, *(_line(fill, zone) for fill in fills)]
    widths = [max(len(line[column]) for line in table) for column in range(len(HEAD))]
    return "".join(
        GAP.join(
            cell.ljust(width) if name in LEFT else cell.rjust(width)
            for name, cell, width in zip(HEAD, line, widths, strict=True)
        ).rstrip()
        + "\n"
        for line in table
    )


def _line(fill: FillRecord, zone: tzinfo | None) -> tuple[str, ...]:
    return (
        fill.started.astimezone(zone).strftime("%Y-%m-%d %H:%M"),
        _short(fill.id, ID_SHOWN),
        fill.way.value,
        f"{_number(fill.delivered_l)} of {_number(fill.need_l)}",
        _minutes(fill.fill_s),
        _forecast(fill),
        _temperatures(fill),
        _result(fill),
    )


def _number(value: float | None, places: int = 0) -> str:
    return NOTHING if value is None else f"{value:.{places}f}"


def _minutes(time_s: float | None) -> str:
    return NOTHING if time_s is None else _number(time_s / S_PER_MIN, 1)


def _forecast(fill: FillRecord) -> str:
    told = _minutes(fill.forecast_s)
    if fill.forecast_s is None or fill.fill_s is None or fill.outcome != "done":
        return told
    return f"{told} ({(fill.fill_s - fill.forecast_s) / S_PER_MIN:+.1f})"


def _temperatures(fill: FillRecord) -> str:
    if not fill.temp_n:
        return NOTHING
    three = (fill.temp_min_c, fill.temp_mean_c, fill.temp_max_c)
    return " / ".join(_number(temp_c, 1) for temp_c in three)


def _result(fill: FillRecord) -> str:
    outcome = "running, or its engine is gone" if fill.outcome is None else str(fill.outcome)
    cause = f": {_short(fill.cause, CAUSE_SHOWN)}" if fill.cause else ""
    return f"{'SIMULATED ' if fill.simulated else ''}{outcome}{cause}"


def _short(text: str, limit: int) -> str:
    clean = clean_text(text, limit + 1)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"
