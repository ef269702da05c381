"""Charts as SVG, for paper first: ink on white, told apart by line and word and not by colour.

Every chart has the same width and the same time axis, so that several under one another can be read
across. Text is real text; nothing needs a script.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, isfinite, log10

Series = Sequence[tuple[float, float]]

WIDTH, HEIGHT = 720.0, 160.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 96.0, 32.0, 26.0
POINTS_MAX = 800  # of one line: more than a printer's dots over this width would show
TICKS = 4
S_PER_MIN = 60.0
LABEL_GAP = 12.0  # between the words at the ends of two lines
MARK_GAP = 14.0  # marks closer than this share one number: 2–4


@dataclass(frozen=True, slots=True)
class Stroke:
    """One line of a chart: its word stands at its end. `dash` is SVG's, empty for a whole line."""

    word: str
    series: Series
    dash: str = ""
    width: float = 1.4


@dataclass(frozen=True, slots=True)
class Level:
    """A value to be drawn straight across, such as a mark."""

    word: str
    value: float


@dataclass(frozen=True, slots=True)
class Band:
    """An area between two lines of the same times, such as an interval."""

    word: str
    times_s: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True)
class Chart:
    """What one chart shows; `unit` is that of its values."""

    title: str
    unit: str
    strokes: Sequence[Stroke] = ()
    levels: Sequence[Level] = ()
    bands: Sequence[Band] = ()
    marks_s: Sequence[float] = ()  # moments, numbered from 1
    zero: bool = False  # let the axis begin at nought
    room: tuple[float, float] | None = None  # values beyond this are cut off


def thinned(series: Series, most: int = POINTS_MAX) -> Series:
    """Return a line with fewer points that looks the same: of each stretch its lowest and highest.

    The first and the last point stay.
    """
    if len(series) <= most:
        return series
    stretch = ceil(2 * len(series) / most)
    kept = [series[0]]
    for begin in range(1, len(series) - 1, stretch):
        part = series[begin : min(begin + stretch, len(series) - 1)]
        low, high = min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1])
        kept += sorted({low, high})
    return [*kept, series[-1]]


def ticks(low: float, high: float, count: int = TICKS) -> list[float]:
    """Return round values from `low` to `high`, about so many."""
    if not (isfinite(low) and isfinite(high)) or high <= low:
        return [low]
    rough = (high - low) / count
    power = 10.0 ** floor(log10(rough))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))
    first = ceil(low / step - 1e-9)
    last = floor(high / step + 1e-9)
    return [round(n * step, 12) for n in range(first, last + 1)]


def drawn(chart: Chart, until_s: float) -> str:
    """Return the chart as an SVG element over `until_s` seconds, the axis in minutes."""
    frame = _Frame.around(chart, until_s)
    parts = [
        (f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f'aria-label="{escape(_spoken(chart), quote=True)}">'),
        (f'<text class="title" x="{LEFT:g}" y="13">{escape(chart.title)} '
        f'<tspan class="unit">{escape(chart.unit)}</tspan></text>'),
        *_axes(frame),
        *(_band(band, frame) for band in chart.bands),
        *(_level(level, frame) for level in chart.levels),
        *(_stroke(stroke, frame) for stroke in chart.strokes if stroke.series),
        *_words(chart, frame),
        *_marks(chart.marks_s, frame),
        "</svg>",
    ]
    return "\n".join(parts)


@dataclass(frozen=True, slots=True)
class _Frame:
    until_s: float
    low: float
    high: float

    @classmethod
    def around(cls, chart: Chart, until_s: float) -> _Frame:
        values = [v for stroke in chart.strokes for _, v in stroke.series]
        values += [level.value for level in chart.levels]
        values += [v for band in chart.bands for v in (*band.low, *band.high)]
        values = [v for v in values if isfinite(v)] or [0.0, 1.0]
        low, high = min(values), max(values)
        if chart.zero:
            low = min(low, 0.0)
        if chart.room is not None:
            low, high = max(low, chart.room[0]), min(high, chart.room[1])
        if high - low < 1e-9:
            low, high = low - 0.5, high + 0.5
        air = 0.06 * (high - low)
        return cls(max(until_s, 1.0), low if chart.zero and low == 0.0 else low - air, high + air)

    def x(self, t_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * min(max(t_s / self.until_s, 0.0), 1.0)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(max(share, 0.0), 1.0)


def _axes(frame: _Frame) -> list[str]:
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    parts = []
    for value in ticks(frame.low, frame.high):
        y = frame.y(value)
        parts.append(f'<line class="grid" x1="{LEFT:g}" y1="{y:.1f}" x2="{right:g}" y2="{y:.1f}"/>')
        parts.append(f'<text class="tick" x="{LEFT - 6:g}" y="{y + 3.5:.1f}" '
                     f'text-anchor="end">{value:g}</text>')  # fmt: skip
    parts.append(f'<line class="axis" x1="{LEFT:g}" y1="{bottom:g}" x2="{right:g}" '
                 f'y2="{bottom:g}"/>')  # fmt: skip
    for minute in ticks(0.0, frame.until_s / S_PER_MIN, 8):
        x = frame.x(minute * S_PER_MIN)
        parts.append(f'<line class="axis" x1="{x:.1f}" y1="{bottom:g}" x2="{x:.1f}" '
                     f'y2="{bottom + 4:g}"/>')  # fmt: skip
        parts.append(f'<text class="tick" x="{x:.1f}" y="{bottom + 15:g}" '
                     f'text-anchor="middle">{minute:g}</text>')  # fmt: skip
    parts.append(f'<text class="tick" x="{right + 8:g}" y="{bottom + 15:g}">minutes</text>')
    return parts


def _path(points: Series, frame: _Frame) -> str:
    return " ".join(f"{frame.x(t):.1f},{frame.y(v):.1f}" for t, v in points)


def _stroke(stroke: Stroke, frame: _Frame) -> str:
    dash = f' stroke-dasharray="{stroke.dash}"' if stroke.dash else ""
    return (f'<polyline class="stroke" stroke-width="{stroke.width:g}"{dash} '
            f'points="{_path(thinned(stroke.series), frame)}"/>')  # fmt: skip


def _level(level: Level, frame: _Frame) -> str:
    y = frame.y(level.value)
    return f'<line class="level" x1="{LEFT:g}" y1="{y:.1f}" x2="{WIDTH - RIGHT:g}" y2="{y:.1f}"/>'


def _band(band: Band, frame: _Frame) -> str:
    upper = list(zip(band.times_s, band.high, strict=True))
    lower = list(zip(band.times_s, band.low, strict=True))[::-1]
    return f'<polygon class="band" points="{_path([*upper, *lower], frame)}"/>'


def _words(chart: Chart, frame: _Frame) -> list[str]:
    """Write each line's word at its right end, moved apart where two would overlap."""
    ends = [(frame.y(stroke.series[-1][1]), stroke.word) for stroke in chart.strokes
            if stroke.series and stroke.word]  # fmt: skip
    ends += [(frame.y(level.value), level.word) for level in chart.levels]
    ends += [(frame.y((band.low[-1] + band.high[-1]) / 2), band.word)
             for band in chart.bands if band.word and band.low]  # fmt: skip
    parts, before = [], -LABEL_GAP
    for y, word in sorted(ends):
        at = max(y, before + LABEL_GAP)
        parts.append(f'<text class="word" x="{WIDTH - RIGHT + 6:g}" y="{at + 3.5:.1f}">'
                     f'{escape(word)}</text>')  # fmt: skip
        before = at
    return parts


def _marks(marks_s: Sequence[float], frame: _Frame) -> list[str]:
    """Draw the moments, in order of time, with their numbers above; near ones share theirs."""
    parts = []
    groups: list[tuple[float, int, int]] = []
    for number, t_s in enumerate(marks_s, 1):
        x = frame.x(t_s)
        parts.append(f'<line class="mark" x1="{x:.1f}" y1="{TOP:g}" x2="{x:.1f}" '
                     f'y2="{HEIGHT - BOTTOM:g}"/>')  # fmt: skip
        if groups and x - groups[-1][0] < MARK_GAP:
            groups[-1] = (groups[-1][0], groups[-1][1], number)
        else:
            groups.append((x, number, number))
    for x, first, last in groups:
        word = f"{first}" if first == last else f"{first}–{last}"
        parts.append(f'<text class="number" x="{x:.1f}" y="{TOP - 3:g}" '
                     f'text-anchor="middle">{word}</text>')  # fmt: skip
    return parts


def _spoken(chart: Chart) -> str:
    """Return the chart in words, for who cannot see it."""
    told = []
    for stroke in chart.strokes:
        if stroke.series:
            values = [v for _, v in stroke.series]
            told.append(f"{stroke.word or chart.title} from {stroke.series[0][1]:.4g} to "
                        f"{stroke.series[-1][1]:.4g}, lowest {min(values):.4g}, highest "
                        f"{max(values):.4g}")  # fmt: skip
    told += [f"{level.word} at {level.value:.4g}" for level in chart.levels]
    return f"{chart.title} in {chart.unit}: {'; '.join(told)}"
