"""The report's charts as one PNG, drawn by matplotlib where the extra `plot` is installed."""

from __future__ import annotations

from pathlib import Path

from monitor.core.units import S_PER_MIN
from monitor.errors import BrimwatchError, ExitCode
from monitor.replay.page import HAPPENINGS_MAX, charts_of
from monitor.replay.trace import Trace

INCHES = (8.0, 2.2)  # of one chart
DPI = 120


class NoPlotError(BrimwatchError, ImportError):
    """The extra that draws pictures is not installed."""

    exit_code = ExitCode.USAGE


def save_png(trace: Trace, title: str, target: Path) -> None:
    """Write the charts to a file.

    Raises:
        NoPlotError: matplotlib is not installed.
        OSError: the file cannot be written.
    """
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415 - an extra, and slow to load
    except ImportError as error:
        raise NoPlotError("a PNG needs matplotlib",
                          fix="pip install brimwatch[plot]") from error  # fmt: skip
    charts = list(charts_of(trace, trace.happenings[:HAPPENINGS_MAX]))
    figure = Figure(figsize=(INCHES[0], INCHES[1] * max(len(charts), 1)), layout="constrained")
    figure.suptitle(("SIMULATED: " if trace.fill.simulated else "") + title)
    axes = figure.subplots(max(len(charts), 1), 1, sharex=True, squeeze=False)[:, 0]
    for ax, chart in zip(axes, charts, strict=False):
        for band in chart.bands:
            minutes = [t / S_PER_MIN for t in band.times_s]
            ax.fill_between(minutes, band.low, band.high, color="0.8", label=band.word or "90 %")
        for stroke in chart.strokes:
            if stroke.series:
                ax.plot([t / S_PER_MIN for t, _ in stroke.series], [v for _, v in stroke.series],
                        color="black", linestyle="--" if stroke.dash else "-",
                        linewidth=stroke.width, label=stroke.word)  # fmt: skip
        for level in chart.levels:
            ax.axhline(level.value, color="black", linestyle=":", label=level.word)
        for t_s in chart.marks_s:
            ax.axvline(t_s / S_PER_MIN, color="0.5", linestyle=":", linewidth=0.6)
        if chart.room is not None:
            ax.set_ylim(top=min(ax.get_ylim()[1], chart.room[1]))
        ax.set_ylabel(f"{chart.title}\n{chart.unit}")
        ax.legend(loc="best", fontsize="small")
    axes[-1].set_xlabel("minutes")
    figure.savefig(target, dpi=DPI, format="png")
