"""A fill's report: one HTML page that needs nothing else, fit for a printer."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from monitor.core.units import S_PER_MIN
from monitor.journal.history import NOTHING
from monitor.journal.rows import FillRecord, clean_text
from monitor.replay.chart import Band, Chart, Level, Stroke, drawn
from monitor.replay.trace import Foretold, Happening, Trace, cause_words

HAPPENINGS_MAX = 60  # on one page; a flood of alarms is told by its number
WORDS_MAX = 300
CONE_ROOM = 3.0  # the first, wide forecasts are cut off at so many times the true length

STYLE = """
@page { size: A4; margin: 14mm; }
body { font: 13px/1.45 system-ui, sans-serif; color: #111; background: #fff; max-width: 760px;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.35rem; margin: 0 0 .2rem; } h2 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
p { margin: .3rem 0; } .fake { border: 2px solid #111; padding: .2rem .6rem; font-weight: 700; }
svg { width: 100%; height: auto; display: block; margin: .2rem 0; break-inside: avoid; }
text { font: 10px system-ui, sans-serif; fill: #111; } .title { font-size: 12px; font-weight: 600; }
.unit { font-weight: 400; fill: #444; } .tick { fill: #444; font-size: 9px; }
.grid { stroke: #ddd; stroke-width: .6; } .axis { stroke: #444; stroke-width: .8; }
.stroke { fill: none; stroke: #111; stroke-linejoin: round; }
.level { stroke: #111; stroke-width: .8; stroke-dasharray: 2 3; }
.band { fill: #ccc; stroke: #888; stroke-width: .4; }
.mark { stroke: #777; stroke-width: .6; stroke-dasharray: 1 2; }
.number { font-size: 8.5px; font-weight: 700; }
table { border-collapse: collapse; width: 100%; } tr { break-inside: avoid; }
th, td { text-align: left; padding: .15rem .5rem .15rem 0; vertical-align: top;
  border-bottom: 1px solid #ddd; } th { font-weight: 600; }
td.n, th.n { text-align: right; white-space: nowrap; } footer { margin-top: 1rem; color: #444; }
@media print { body { margin: 0; max-width: none; padding: 0; } }
"""


def page(trace: Trace, title: str) -> str:
    """Return the whole page. `title` is the station's name for people."""
    fill = trace.fill
    way = "Drain" if fill.way == "out" else "Fill"
    when = fill.started.astimezone()
    name = escape(clean_text(title, 80))
    fake = '<p class="fake">SIMULATED: this water was not real.</p>' if fill.simulated else ""
    shown = trace.happenings[:HAPPENINGS_MAX]
    charts = "\n".join(drawn(chart, trace.until_s) for chart in charts_of(trace, shown))
    lacking = (
        f"<p>Without the forecast along the way: {escape(trace.without_tape)}.</p>"
        if trace.without_tape
        else ""
    )
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{way} of {name}, {when:%Y-%m-%d %H:%M}</title>
<style>{STYLE}</style>
</head>
<body>
<h1>{way} of {name}</h1>
<p>{when:%A %d %B %Y, %H:%M} ({when:%z}), by {escape(clean_text(fill.started_by, 64))}.
{escape(cause_words(fill))}</p>
{fake}
<table>
{"".join(_figures(fill, trace))}
</table>
<h2>Over time</h2>
{charts}
{lacking}
<h2>What happened</h2>
{_happened(shown, len(trace.happenings))}
<footer>brimwatch, fill {escape(fill.id)}. Minutes count from the first opening of the valve. The
grey band about the foretold end is the 90 % interval.</footer>
</body>
</html>
"""


def charts_of(trace: Trace, shown: list[Happening]) -> Iterator[Chart]:
    """Yield the charts that the fill has data for."""
    fill = trace.fill
    marks = tuple(each.t_s for each in shown)
    if trace.flow_lpm:
        yield Chart("Flow", "L/min", [Stroke("flow", trace.flow_lpm)], marks_s=marks, zero=True)
    if trace.volume_l:
        need = [Level(f"need {fill.need_l:.0f} L", fill.need_l)] if fill.need_l else []
        yield Chart("Volume", "L", [Stroke("in", trace.volume_l)], need, marks_s=marks, zero=True)
    if trace.level_m:
        mark = [Level("mark", fill.mark_m)] if fill.mark_m is not None else []
        yield Chart("Water height", "m", [Stroke("level", trace.level_m, width=0.8)], mark,
                    marks_s=marks)  # fmt: skip
    if trace.incoming_c or trace.tank_c:
        band = []
        if fill.band_low_c is not None and fill.band_high_c is not None:
            ends = (0.0, trace.until_s)
            low, high = (fill.band_low_c,) * 2, (fill.band_high_c,) * 2
            band = [Band("allowed", ends, low, high)]
        yield Chart("Temperature", "°C", [Stroke("incoming", trace.incoming_c),
                    Stroke("tank", trace.tank_c, "6 3")], bands=band, marks_s=marks)  # fmt: skip
    if trace.cone:
        yield _cone(trace)


def _cone(trace: Trace) -> Chart:
    """Return the foretold end over the time at which it was foretold, and the true end."""
    truth_s = trace.fill.fill_s or trace.until_s
    times_s = [each.t_s for each in trace.cone]
    done = trace.fill.outcome == "done"
    return Chart(
        title="Foretold end",
        unit="minutes after the opening",
        strokes=[Stroke("foretold", [(e.t_s, e.end_s / S_PER_MIN) for e in trace.cone])],
        levels=[Level("true end" if done else "shut", truth_s / S_PER_MIN)],
        bands=[Band("", times_s, [e.low_s / S_PER_MIN for e in trace.cone],
                    [e.high_s / S_PER_MIN for e in trace.cone])],
        room=(0.0, CONE_ROOM * truth_s / S_PER_MIN),
    )  # fmt: skip


def _figures(fill: FillRecord, trace: Trace) -> Iterator[str]:
    """Yield rows of the table of figures; what is not known is left out."""
    inside = covered(trace.cone, fill.fill_s) if fill.outcome == "done" else None
    delivered = fill.delivered_l
    rows = (
        ("Litres", delivered, f"{delivered or 0:.1f} of {_number(fill.need_l)} L"),
        ("Duration", fill.fill_s, _minutes(fill.fill_s)),
        ("Foretold once the flow was known", fill.forecast_s,
         (f"{_minutes(fill.forecast_s)} ({_minutes(fill.forecast_low_s)} to "
         f"{_minutes(fill.forecast_high_s)})")),
        ("Forecasts whose interval held the true end", inside, f"{100 * (inside or 0):.0f} %"),
        ("Flow at the start", fill.start_flow_lpm, f"{_number(fill.start_flow_lpm, 2)} L/min"),
        ("Litres after the close command", fill.overrun_l, f"{_number(fill.overrun_l, 2)} L"),
        ("Incoming water, lowest / mean / highest", fill.temp_mean_c,
         (f"{_number(fill.temp_min_c, 1)} / {_number(fill.temp_mean_c, 1)} / "
         f"{_number(fill.temp_max_c, 1)} °C")),
        ("Time outside the allowed band", fill.out_of_band_s, f"{fill.out_of_band_s or 0:.0f} s"),
        ("Level, before / after", fill.level_end_m,
         f"{_number(fill.level_start_m, 3)} / {_number(fill.level_end_m, 3)} m"),
    )  # fmt: skip
    for word, known, text in rows:
        if known is not None:
            yield f"<tr><th>{escape(word)}</th><td>{escape(text)}</td></tr>\n"


def covered(cone: list[Foretold], truth_s: float | None) -> float | None:
    """Return the share of the forecasts whose interval holds the truth; None for none."""
    ahead = [each for each in cone if truth_s is not None and each.t_s < truth_s]
    if truth_s is None or not ahead:
        return None
    return sum(each.low_s <= truth_s <= each.high_s for each in ahead) / len(ahead)


def _happened(shown: list[Happening], total: int) -> str:
    if not shown:
        return "<p>Nothing to tell.</p>"
    rows = "".join(
        f'<tr><td class="n">{number}</td><td class="n">{each.t_s / S_PER_MIN:.1f}</td>'
        f"<td>{'<b>ALARM</b> ' if each.severity else ''}"
        f"{escape(clean_text(each.words, WORDS_MAX))}"
        f"{f' ({escape(each.severity)})' if each.severity else ''}</td></tr>\n"
        for number, each in enumerate(shown, 1)
    )
    more = f"<p>And {total - len(shown)} more.</p>" if total > len(shown) else ""
    head = '<tr><th class="n">no.</th><th class="n">minute</th><th>what</th></tr>'
    return f"<table>\n{head}\n{rows}</table>{more}"


def _number(value: float | None, places: int = 0) -> str:
    return NOTHING if value is None else f"{value:.{places}f}"


def _minutes(time_s: float | None) -> str:
    return NOTHING if time_s is None else f"{time_s / S_PER_MIN:.1f} min"
