"""A recording as comma-separated values: `t_s,sensor,value`, one reading a line, in order of time.

A *pass* is made at every reading of the meter (without one: of the level; without either: at every
moment recorded), and what else has been read since rides along, as it would from a node. A float, a
probe and the valve's command stand until they change; a thermometer's value stands while its next
is not overdue; a level counts once, when it is new.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from math import floor, inf, isfinite
from statistics import median

from monitor.core.forecast import COUNT_MAX
from monitor.core.reading import Fault, Kind, Sample
from monitor.core.units import S_PER_MIN
from monitor.replay.frames import MISSED, Frame, Recording, RecordingError, noise_m, quiet_before

VALVE = "valve"
HEAD = ("t_s", "sensor", "value")
LINE_MAX = 200  # characters
TIME_MAX_S = 1e11  # beyond the year 5000 in Unix time
STALE_S = 3.0  # as for a node that reports once a second
WINDOW_S, WINDOW_MAX_S, WINDOW_PULSES = 1.0, 3.0, 5  # a flow is the mean over so much
SHOWN = 40  # characters of a bad value that are told back


@dataclass(slots=True)
class Rows:
    """Readings in three columns; `which` counts in `sensors`."""

    sensors: list[str] = field(default_factory=list)
    times_s: array[float] = field(default_factory=lambda: array("d"))
    which: array[int] = field(default_factory=lambda: array("H"))
    values: array[float] = field(default_factory=lambda: array("d"))


def read_table(
    lines: Sequence[bytes], file: str, kinds: Mapping[str, Kind], pulses_per_litre: float
) -> Recording:
    """Return the recording that a table's lines make. `kinds` has the config's sensors.

    Raises:
        RecordingError: with the line's number, what is wrong and what is allowed.
    """
    rows = _rows(lines, file, kinds)
    if not rows.times_s:
        raise RecordingError("there is no reading in it", where=file,
                             allowed=f"lines of {','.join(HEAD)}")  # fmt: skip
    gaps = {name: _period_s(_column(rows, rows.times_s, name)) for name in rows.sensors}
    lead = _lead(rows.sensors, kinds)
    period_s = gaps[lead] if lead else _period_s(rows.times_s)
    level = next((n for n in rows.sensors if kinds.get(n) is Kind.LEVEL), "")
    passes = _Passes(rows, kinds, gaps, lead, period_s, pulses_per_litre)
    return Recording(
        file=file,
        frames=list(passes.frames()),
        sensors=frozenset(rows.sensors) - {VALVE},
        rows=len(rows.times_s),
        period_s=period_s,
        from_s=rows.times_s[0],
        level_s=gaps.get(level, 0.0),
        level_sd_m=noise_m(_column(rows, rows.values, level)) if level else 0.0,
    )


def _lead(names: Sequence[str], kinds: Mapping[str, Kind]) -> str:
    for kind in (Kind.FLOW, Kind.LEVEL):
        for name in names:
            if kinds.get(name) is kind:
                return name
    return ""


def _rows(lines: Sequence[bytes], file: str, kinds: Mapping[str, Kind]) -> Rows:
    rows = Rows()
    index: dict[bytes, int] = {}
    add_time, add_which, add_value = rows.times_s.append, rows.which.append, rows.values.append
    head = lines[0].removeprefix(b"\xef\xbb\xbf").strip().lower()
    if tuple(part.strip() for part in head.split(b",")) != tuple(h.encode() for h in HEAD):
        raise _bad(file, 1, f"the columns are {_shown(head)}", ",".join(HEAD),
                   "name the columns in the first line")  # fmt: skip
    before_s = -inf
    for number, line in enumerate(lines[1:], 2):
        if not line.strip():
            continue
        parts = line.split(b",")
        if len(parts) != len(HEAD) or len(line) > LINE_MAX:
            raise _bad(file, number, f"{len(parts)} columns in {len(line)} characters",
                       f"3 columns, at most {LINE_MAX} characters")  # fmt: skip
        name = parts[1].strip()
        at = index.get(name)
        if at is None:
            at = index[name] = _known(name, rows, kinds, file, number)
        t_s = _number(parts[0], "t_s", file, number)
        value = _number(parts[2], "value", file, number)
        if t_s < before_s:
            raise _bad(file, number, f"the time goes back from {before_s:g} to {t_s:g} s",
                       "readings in order of time", "sort the lines by t_s")  # fmt: skip
        if abs(t_s) > TIME_MAX_S:
            raise _bad(file, number, f"a time of {t_s:g} s", f"up to {TIME_MAX_S:g} s")
        sensor = rows.sensors[at]
        _fits(value, kinds.get(sensor), file, number)
        before_s = t_s
        add_time(t_s)
        add_which(at)
        add_value(value)
    return rows


def _known(
    name: bytes, rows: Rows, kinds: Mapping[str, Kind], file: str, number: int
) -> int:
    text = name.decode(errors="replace")
    if text != VALVE and text not in kinds:
        raise _bad(file, number, f"there is no sensor {_shown(name)} in the config",
                   ", ".join([*kinds, VALVE]),
                   "use the config's names, or leave those lines out")  # fmt: skip
    rows.sensors.append(text)
    return len(rows.sensors) - 1


def _number(text: bytes, column: str, file: str, number: int) -> float:
    try:
        value = float(text)
    except ValueError:
        value = inf
    if not isfinite(value):
        raise _bad(file, number, f"{column} is {_shown(text)}", "a finite number")
    return value


def _fits(value: float, kind: Kind | None, file: str, number: int) -> None:
    if kind in (Kind.TEMPERATURE, Kind.LEVEL):
        return
    if kind is Kind.FLOW:
        if not 0.0 <= value <= COUNT_MAX:
            raise _bad(file, number, f"a pulse count of {value:g}", f"0 to {COUNT_MAX:g}")
    elif value not in (0.0, 1.0):
        raise _bad(file, number, f"a value of {value:g}", "0 or 1")


def _shown(text: bytes) -> str:
    return repr(text[:SHOWN].decode(errors="replace"))


def _bad(file: str, number: int, what: str, allowed: str, fix: str = "") -> RecordingError:
    return RecordingError(what, where=f"{file}, line {number}", allowed=allowed, fix=fix)


def _column(rows: Rows, column: array[float], name: str) -> list[float]:
    """Return one sensor's part of a column."""
    at = rows.sensors.index(name)
    return [value for value, which in zip(column, rows.which, strict=True) if which == at]


def _period_s(times_s: Sequence[float]) -> float:
    """Return the usual time between two readings; 0 when there are not two."""
    gaps = [later - sooner for sooner, later in pairwise(times_s) if later > sooner]
    return median(gaps) if gaps else 0.0


@dataclass(slots=True)
class _Meter:
    """Counts pulses on over a restart, and tells the flow from them.

    A pulse meter cannot tell which way it turns. So a count that falls a little is water that runs
    back, and is counted as a meter counts it; one that falls by half has begun anew.
    """

    pulses_per_litre: float
    last: float | None = None
    total: float = 0.0
    seen: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=64))

    def read(self, t_s: float, count: float) -> tuple[float, int]:
        """Return flow in L/min and the count, after a reading of the counter."""
        if self.last is None:
            self.total = count
        elif count >= self.last:
            self.total += count - self.last
        else:
            self.total += count if count * 2 < self.last else self.last - count
        self.last = count
        self.seen.append((t_s, self.total))
        return self._rate() * S_PER_MIN / self.pulses_per_litre, floor(self.total)

    def _rate(self) -> float:
        """Return pulses a second over the last second or more, and no more than can be true."""
        if len(self.seen) <= 1:
            return 0.0
        now_s, total = self.seen[-1]
        rate = 0.0
        for t_s, before in reversed(self.seen):
            if t_s >= now_s:
                continue
            rate = (total - before) / (now_s - t_s)
            if now_s - t_s >= WINDOW_MAX_S or (
                now_s - t_s >= WINDOW_S and total - before >= WINDOW_PULSES
            ):
                break
        last_s, last = self.seen[-2]
        return min(rate, (total - last + 1.0) / (now_s - last_s)) if now_s > last_s else rate


@dataclass(slots=True)
class _Passes:
    """Makes frames of rows."""

    rows: Rows
    kinds: Mapping[str, Kind]
    gaps: Mapping[str, float]
    lead: str
    period_s: float
    pulses_per_litre: float
    latest: dict[str, tuple[float, float]] = field(default_factory=dict)
    fresh: set[str] = field(default_factory=set)  # read since the last pass
    valve: bool | None = None
    valve_s: float = 0.0
    meter: _Meter | None = None

    def frames(self) -> Iterator[Frame]:
        """Yield the quiet seconds before, then a frame for every pass."""
        self.meter = _Meter(self.pulses_per_litre)
        first_s = last_s = self.rows.times_s[0]
        names = self.rows.sensors
        yield from self._quiet(first_s)
        whole = zip(self.rows.times_s, self.rows.which, self.rows.values, strict=True)
        for t_s, group in groupby(whole, key=lambda row: row[0]):
            for _, at, value in group:
                self._take(t_s, names[at], value)
            led = not self.lead or self.lead in self.fresh
            if led or t_s - last_s >= MISSED * self.period_s:
                yield self._frame(t_s)
                last_s = t_s
        if self.fresh:
            yield self._frame(self.rows.times_s[-1])

    def _take(self, t_s: float, name: str, value: float) -> None:
        if name == VALVE:
            if self.valve is None or self.valve is not (value > 0.0):
                self.valve, self.valve_s = value > 0.0, t_s
            return
        self.latest[name] = (t_s, value)
        self.fresh.add(name)

    def _quiet(self, first_s: float) -> Iterator[Frame]:
        """Yield what was read first, at the moments before it."""
        first: dict[str, float] = {}
        for name in self.rows.sensors:
            at = self.rows.sensors.index(name)
            row = self.rows.which.index(at)
            if self.rows.times_s[row] - first_s <= MISSED * max(self.gaps[name], self.period_s):
                first[name] = self.rows.values[row]
        valve = False if VALVE in self.rows.sensors else None
        for t_s in quiet_before(first_s, self.period_s):
            samples = tuple(
                self._sample(t_s, name, value, t_s)
                for name, value in first.items()
                if name != VALVE
            )
            yield Frame(t_s, samples, valve, t_s)

    def _frame(self, t_s: float) -> Frame:
        samples = []
        for name, (at_s, value) in self.latest.items():
            new = name in self.fresh
            kind = self.kinds[name]
            overdue = t_s - at_s > max(MISSED * self.gaps[name], STALE_S)
            standing = kind in (Kind.FLOAT, Kind.LEAK) or (
                kind is Kind.TEMPERATURE and not overdue
            )
            if new or standing:
                samples.append(self._sample(t_s, name, value, t_s if standing else at_s))
            else:
                samples.append(Sample(name, kind, t_s, None, Fault.MISSING))
        self.fresh.clear()
        return Frame(t_s, tuple(samples), self.valve, self.valve_s)

    def _sample(self, t_s: float, name: str, value: float, at_s: float) -> Sample:
        kind = self.kinds[name]
        if kind is not Kind.FLOW or self.meter is None:
            return Sample(name, kind, at_s, value)
        flow_lpm, count = self.meter.read(t_s, value)
        return Sample(name, kind, t_s, flow_lpm, None, count)

