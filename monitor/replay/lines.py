"""The lines that a replay gives out: forecasts, alarms, closes, and a summary, as plain values."""

from __future__ import annotations

from typing import Any

from monitor.core.events import AlarmTurned
from monitor.core.forecast import Forecast
from monitor.core.messages import TEXTS

Line = dict[str, Any]
FORECAST_EVERY_S = 5.0  # of recording: with a reading at least every five, never ten without
DIGITS = 3


def rounded(value: float) -> float:
    """Return a number as it is given out."""
    return round(value, DIGITS)


def forecast_line(t_s: float, ahead: Forecast) -> Line:
    """Return a forecast. `remaining_s` runs until the valve must be told to close; no end in sight
    is two days.
    """
    return {
        "t_s": rounded(t_s),
        "kind": "forecast",
        "remaining_s": rounded(ahead.remaining_s),
        "low_s": rounded(ahead.low_s),
        "high_s": rounded(ahead.high_s),
        "remaining_l": rounded(ahead.remaining_l),
        "flow_lpm": rounded(ahead.flow_lpm),
        "by": ahead.by,
    }


def alarm_line(t_s: float, turned: AlarmTurned) -> Line:
    """Return an alarm that was raised: `id` is its hazard's, `cause` is in words."""
    text = TEXTS[turned.key]
    return {
        "kind": "alarm",
        "t_s": rounded(t_s),
        "id": turned.id,
        "severity": turned.severity.name.lower(),
        "cause": text.cause,
        "key": turned.key,
        "message": text.message,
    }


def close_line(t_s: float, cause: str, key: str, *, hold: bool = False) -> Line:
    """Return the moment at which the core shuts the valve, or would have; `cause` is a hazard's id,
    or `mark` or `litres` when the water is where it should be. A `hold` may go on by itself.
    """
    return {"kind": "close", "t_s": rounded(t_s), "cause": cause, "key": key, "hold": hold}
