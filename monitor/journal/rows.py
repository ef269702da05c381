"""What goes into the record and what comes out of it, as plain frozen values.

Times: `at_s` is the engine's monotonic clock, `t_s` counts seconds since the fill began, and wall
times are aware UTC datetimes, kept to the millisecond. None means "not known"; NaN and infinity
are kept as "not known" too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from monitor.core.exchange import Way

ID_CHARS = 64
NAME_CHARS = 64
TEXT_CHARS = 512
DATA_CHARS = 4096
MS_PER_S = 1000.0


class Outcome(StrEnum):
    """How a fill ended. A fill that still runs, or whose engine died, has none."""

    DONE = "done"  # the water reached its mark
    STOPPED = "stopped"  # a rule or a person ended it
    INTERRUPTED = "interrupted"  # the engine went away in the middle of it


@dataclass(frozen=True, slots=True)
class FillStart:
    """A fill begins. `id` must be new to the record; a known one is refused and told.

    A drain is a fill of the other `way`: its litres are those let out. `drained_l` is what had
    been let out before a fill that makes it good; None when nothing was.
    """

    id: str
    station: str
    at_s: float
    started_by: str
    attended: bool
    simulated: bool
    need_l: float | None
    forecast_s: float | None = None
    forecast_low_s: float | None = None
    forecast_high_s: float | None = None
    level_m: float | None = None
    mark_m: float | None = None
    band_low_c: float | None = None  # the allowed incoming temperature, for `out_of_band_s`
    band_high_c: float | None = None
    note: str = ""
    way: Way = Way.IN
    drained_l: float | None = None
    pulses_per_litre: float | None = None  # what its litres are counted with
    flow_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class FillSample:
    """One moment of a running fill. `volume_l` is what was delivered so far, `level_m` the water's
    height and `tank_c` the tank's own temperature, where there is a sensor for it.
    """

    fill: str
    t_s: float
    temp_c: float | None
    flow_lpm: float | None
    volume_l: float | None
    phase: str
    level_m: float | None = None
    tank_c: float | None = None


@dataclass(frozen=True, slots=True)
class InputRecord:
    """One input of the core during a fill, so that the fill can be played again.

    `n` counts the fill's inputs from 1, so a lost one shows. `at_s` is the engine second at which
    the core took it, to the last bit; `payload` is text of the engine's own making.
    """

    n: int
    at_s: float
    kind: str
    payload: str


@dataclass(frozen=True, slots=True)
class InputChunk:
    """Some inputs of one fill, in order; never none."""

    fill: str
    inputs: tuple[InputRecord, ...]


@dataclass(frozen=True, slots=True)
class FillEnd:
    """A fill ends. Without `fill_s` or `delivered_l` its last sample tells them.

    The forecast is the first one made with flow; None leaves what the start said. The start flow
    is that of the first minutes, once known; `overrun_l` is what still came after the valve was
    told to shut; for both, None leaves what an earlier end of this fill said. The engine that
    ended a fill may end it again, with the figures of the settled water; nobody else may.

    Leave `fill_s` out for a fill found interrupted: the record then says it ended at its last
    sample, which is the last that anybody knows of it.
    """

    fill: str
    outcome: Outcome
    cause: str = ""
    fill_s: float | None = None
    delivered_l: float | None = None
    level_m: float | None = None
    note: str = ""
    forecast_s: float | None = None
    forecast_low_s: float | None = None
    forecast_high_s: float | None = None
    start_flow_lpm: float | None = None
    overrun_l: float | None = None


@dataclass(frozen=True, slots=True)
class AlarmMark:
    """An alarm of one rule at one station is raised, changes its words, or clears.

    The journal pairs them by (station, rule): a mark while one stands open updates its text and
    severity, `active=False` clears it, and clearing what does not stand is nothing.
    """

    station: str
    rule: str
    severity: str
    at_s: float
    text: str
    fill: str | None = None
    active: bool = True


@dataclass(frozen=True, slots=True)
class EventMark:
    """Anything else worth keeping: a request, a phase, a reset. `data` becomes bounded JSON."""

    station: str
    kind: str
    text: str
    at_s: float
    fill: str | None = None
    data: Mapping[str, object] | None = None


@dataclass(frozen=True, slots=True)
class NoteMark:
    """A person has done or proven something: `what` is "proof" (of `part`), "cartridge" (a new
    one) or "people" (somebody can be reached). Done in a simulation, it counts only there.
    """

    station: str
    what: str
    part: str
    by: str
    simulated: bool
    text: str = ""


@dataclass(frozen=True, slots=True)
class CalibrationMark:
    """A person has measured what a sensor's reading is worth, by `n` readings or runs.

    `what` is "flow" (`value` in pulses a litre, `uncertainty` a share), "level" (`value` in m to be
    added to `scale` times the reading) or "temperature" (`value` in °C to be added). The
    uncertainty is for 95 %. `basis` tells what of the config it was made for: with another meter,
    probe or address it means nothing. Made in a simulation, it counts only there.
    """

    station: str
    part: str
    what: str
    value: float
    uncertainty: float
    n: int
    basis: str
    by: str
    simulated: bool
    scale: float = 1.0
    text: str = ""


@dataclass(frozen=True, slots=True)
class FillRecord:
    """A fill as the record has it.

    The temperatures are those of the water that went in: `temp_mean_c` is weighted by volume, so
    it is the temperature all of it would have in one vessel; `temp_n` readings back it.
    `out_of_band_s` is how long water outside the allowed band was flowing, the first slug from
    the pipe included; None when no band was given or nothing was read.
    """

    id: str
    station: str
    started: datetime
    started_at_s: float | None
    started_by: str
    attended: bool
    simulated: bool
    need_l: float | None
    forecast_s: float | None
    forecast_low_s: float | None
    forecast_high_s: float | None
    level_start_m: float | None
    level_end_m: float | None
    mark_m: float | None
    band_low_c: float | None
    band_high_c: float | None
    ended: datetime | None
    fill_s: float | None
    outcome: Outcome | None
    cause: str
    delivered_l: float | None
    temp_min_c: float | None
    temp_mean_c: float | None
    temp_max_c: float | None
    temp_n: int
    out_of_band_s: float | None
    note: str
    way: Way = Way.IN
    start_flow_lpm: float | None = None
    overrun_l: float | None = None
    drained_l: float | None = None
    pulses_per_litre: float | None = None
    flow_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """An alarm as the record has it; `cleared` is None while it stands."""

    id: int
    station: str
    fill: str | None
    rule: str
    severity: str
    raised: datetime
    raised_at_s: float | None
    cleared: datetime | None
    text: str


@dataclass(frozen=True, slots=True)
class EventRecord:
    """An event as the record has it; `data` is JSON text, empty when there was none."""

    id: int
    station: str
    fill: str | None
    at_s: float | None
    wall: datetime
    kind: str
    text: str
    data: str


@dataclass(frozen=True, slots=True)
class NoteRecord:
    """A note as the record has it; `wall` is when it was made, `by` who made it."""

    id: int
    station: str
    what: str
    part: str
    by: str
    wall: datetime
    simulated: bool
    text: str


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """A calibration as the record has it; see `CalibrationMark`."""

    id: int
    station: str
    part: str
    what: str
    value: float
    scale: float
    uncertainty: float
    n: int
    basis: str
    by: str
    wall: datetime
    simulated: bool
    text: str


def wall_text(wall: datetime) -> str:
    """Return a wall time as ISO 8601 in UTC to the millisecond; a naive one is taken as UTC."""
    aware = wall if wall.tzinfo is not None else wall.replace(tzinfo=UTC)
    return aware.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def wall_time(text: str) -> datetime:
    """Return the aware UTC time that `wall_text` wrote. Raises ValueError for other text."""
    return datetime.fromisoformat(text).astimezone(UTC)


def clean_text(text: str, limit: int) -> str:
    """Return text fit for a table and a terminal: no control characters, at most `limit` long."""
    cut = text[:limit]
    if cut.isprintable():
        return cut
    return "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in cut)
