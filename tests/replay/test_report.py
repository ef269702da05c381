from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from monitor.config import loads
from monitor.core.exchange import Way
from monitor.journal.reader import JournalReader
from monitor.journal.rows import FillRecord, Outcome
from monitor.replay.chart import Band, Chart, Level, Stroke, drawn, thinned, ticks
from monitor.replay.page import covered, page
from monitor.replay.plot import save_png
from monitor.replay.tape import plan_for_fill
from monitor.replay.trace import Foretold, Happening, Trace, traced
from support.commands import SMALL, brimwatch
from support.recordings import config_text

SVG = re.compile(r"<svg.*?</svg>", re.DOTALL)


def record(**changes: object) -> FillRecord:
    """Return an invented fill of ten minutes."""
    known: dict[str, object] = {
        "id": "f1", "station": "river", "started": datetime(2026, 3, 7, 9, 0, tzinfo=UTC),
        "started_at_s": 100.0, "started_by": "volunteer", "attended": False, "simulated": False,
        "need_l": 100.0, "forecast_s": 610.0, "forecast_low_s": 560.0, "forecast_high_s": 660.0,
        "level_start_m": 0.27, "level_end_m": 0.34, "mark_m": 0.57, "band_low_c": 23.0,
        "band_high_c": 27.0, "ended": None, "fill_s": 600.0, "outcome": Outcome.DONE, "cause": "",
        "delivered_l": 100.2, "temp_min_c": 20.0, "temp_mean_c": 24.9, "temp_max_c": 25.1,
        "temp_n": 600, "out_of_band_s": 8.0, "note": "", "way": Way.IN, "start_flow_lpm": 10.0,
        "overrun_l": 0.2,
    }  # fmt: skip
    return FillRecord(**(known | changes))  # type: ignore[arg-type]


class Reader(HTMLParser):
    """Notes every tag, and everything that would make a browser fetch something."""

    OUTSIDE = ("src", "href", "srcset", "data", "action", "xlink:href", "poster")

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fetched: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [f"{tag} {name}={value}" for name, value in attrs if name in self.OUTSIDE]
        self.fetched += [f"{tag} {name}" for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def small(**changes: object) -> Trace:
    return Trace(
        record(**changes),
        flow_lpm=[(0.0, 0.0), (5.0, 10.0), (600.0, 9.9)],
        volume_l=[(0.0, 0.0), (600.0, 100.0)],
        cone=[Foretold(t, 600.0, 590.0, 610.0) for t in (10.0, 20.0)],
        happenings=[Happening(0.0, "phase: filling"), Happening(300.0, "W06: Water.", "top")],
    )


# --- the page ---


@pytest.mark.parametrize("fault", [None, "leak"])
def test_a_fill_of_the_whole_program_becomes_a_page(fault: str | None, tmp_path: Path) -> None:
    """Claim: `brimwatch report` of a real record shows flow, volume, level, both temperatures and
    the cone, tells the record's own figures, says that it was simulated, and fetches nothing.
    """
    (tmp_path / "river.toml").write_text(config_text())
    args = ("--config", "river.toml", "--journal", "fills.db")
    brimwatch("simulate", *args, "--once", "--speed", "max", "--json", *SMALL,
              *(("--fault", fault) if fault else ()), cwd=tmp_path)  # fmt: skip
    done = brimwatch("report", "last", *args, "--out", "fill.html", "--json", cwd=tmp_path)
    assert done.code == 0
    assert done.last["forecasts"] > 10
    html = (tmp_path / "fill.html").read_text()
    seen = read(html)
    assert seen.fetched == []
    assert "script" not in seen.tags
    assert "url(" not in html
    assert "@import" not in html
    titles = [ET.fromstring(svg).find("text").text for svg in SVG.findall(html)]  # type: ignore[union-attr]  # noqa: S314
    assert [t.strip() for t in titles] == [
        "Flow", "Volume", "Water height", "Temperature", "Foretold end"
    ]  # fmt: skip
    with JournalReader(tmp_path / "fills.db") as reader:
        fill = reader.fill("last")
    text = " ".join(seen.words)
    assert "SIMULATED" in text
    assert f"{fill.delivered_l:.1f} of {fill.need_l:.0f} L" in text
    assert f"{fill.temp_mean_c:.1f}" in text
    assert ("W06" in text) is (fault == "leak")
    assert ("It ended where it should." in text) is (fault is None)


def test_without_a_tape_the_samples_are_drawn(tmp_path: Path) -> None:
    """Claim: a fill whose inputs were not kept, or whose station is no longer in the config, still
    has its page, and the page says what is missing.
    """
    (tmp_path / "river.toml").write_text(config_text())
    brimwatch("simulate", "--config", "river.toml", "--once", "--speed", "max", "--json",
              "--journal", "fills.db", *SMALL, cwd=tmp_path)  # fmt: skip
    with JournalReader(tmp_path / "fills.db") as reader:
        fill = reader.fill("last")
        plan = plan_for_fill(fill, loads(config_text(), "river.toml"))
        whole, bare = traced(reader, fill, plan), traced(reader, fill, None)
    assert whole.without_tape == ""
    assert bare.cone == []
    assert "Without the forecast along the way" in page(bare, "River")
    assert len(bare.flow_lpm) > 100
    assert bare.volume_l[-1][1] == pytest.approx(whole.volume_l[-1][1], abs=0.5)


def test_what_people_typed_stays_text() -> None:
    """Claim: a name or an alarm's words with markup in them are shown, not obeyed."""
    nasty = '<script>alert(1)</script>"&'
    trace = small(started_by=nasty, cause=nasty, outcome=Outcome.STOPPED)
    trace.happenings.append(Happening(20.0, nasty, nasty))
    seen = read(page(trace, nasty))
    assert "script" not in seen.tags
    assert seen.fetched == []
    assert nasty in "".join(seen.words)


def test_a_flood_of_alarms_is_cut_and_counted() -> None:
    """Claim: the page stays a page whatever happened; what is left out is told."""
    trace = small()
    trace.happenings = [Happening(float(t), "W06: Water.", "top") for t in range(500)]
    html = page(trace, "River")
    assert html.count("<td") == 60 * 3 + html.count("<tr><th>")
    assert "And 440 more." in html


def test_real_and_simulated_water_are_told_apart() -> None:
    """Claim: only a simulated fill says that it was one."""
    assert "SIMULATED" not in page(small(), "River")
    assert "SIMULATED" in page(small(simulated=True), "River")


def test_what_was_never_measured_has_no_chart_and_no_row() -> None:
    """Claim: a fill without data has a page that says so little as is known."""
    empty = Trace(record(fill_s=None, outcome=None, delivered_l=None, temp_mean_c=None,
                         start_flow_lpm=None, out_of_band_s=None))  # fmt: skip
    html = page(empty, "River")
    assert SVG.findall(html) == []
    assert "Incoming water" not in html
    assert "It still runs, or its engine is gone." in html


def test_the_share_of_true_intervals_is_counted() -> None:
    """Claim: coverage is the share of forecasts before the end whose interval held it."""
    cone = [Foretold(10, 95, 90, 110), Foretold(20, 95, 90, 99), Foretold(120, 0, 0, 0)]
    assert covered(cone, 100.0) == 0.5
    assert covered([], 100.0) is None
    assert covered(cone, None) is None


def test_the_picture_is_a_png(tmp_path: Path) -> None:
    """Claim: with the extra installed the same charts become one PNG (the signature of ISO/IEC
    15948, section 5.2).
    """
    pytest.importorskip("matplotlib")
    save_png(small(), "River", tmp_path / "fill.png")
    data = (tmp_path / "fill.png").read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(data) > 5000


# --- charts ---


def points(svg: str, kind: str) -> list[tuple[float, float]]:
    element = next(e for e in ET.fromstring(svg) if e.get("class") == kind)  # noqa: S314
    pairs = (pair.split(",") for pair in (element.get("points") or "").split())
    return [(float(x), float(y)) for x, y in pairs]


def test_a_line_is_drawn_to_scale() -> None:
    """Claim: twice the time is twice as far to the right, a higher value stands higher, and equal
    steps are equal.
    """
    line = Stroke("line", [(0.0, 0.0), (50.0, 5.0), (100.0, 10.0)])
    a, b, c = points(drawn(Chart("T", "u", [line]), 100.0), "stroke")
    assert b[0] - a[0] == pytest.approx(c[0] - b[0], abs=0.11)
    assert a[1] - b[1] == pytest.approx(b[1] - c[1], abs=0.11)
    assert a[1] > c[1]


def test_a_band_holds_its_line() -> None:
    """Claim: an interval's area reaches from its low to its high values at each time."""
    band = Band("", (0.0, 100.0), (1.0, 2.0), (3.0, 4.0))
    corners = points(drawn(Chart("T", "u", bands=[band]), 100.0), "band")
    assert len(corners) == 4
    (x0, high0), (x1, high1), (x2, low1), (x3, low0) = corners
    assert (x0, x1) == (x3, x2)
    assert high0 < low0
    assert high1 < low1
    assert high1 < high0


def test_thinning_keeps_what_the_eye_sees() -> None:
    """Claim: of many points few are drawn, and the highest, the lowest, the first and the last are
    among them, in order of time.
    """
    series = [(float(t), float((t * 7919) % 1000)) for t in range(20_000)]
    series[12_345] = (12_345.0, 5000.0)
    series[333] = (333.0, -5000.0)
    few = thinned(series)
    assert len(few) <= 900
    assert {series[0], series[-1], series[12_345], series[333]} <= set(few)
    assert list(few) == sorted(few)
    assert thinned(series[:50]) == series[:50]


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0.0, 10.0, [0.0, 2.5, 5.0, 7.5, 10.0]), (0.26, 0.58, [0.3, 0.4, 0.5]),
     (-3.0, 3.0, [-2.0, 0.0, 2.0]), (5.0, 5.0, [5.0])],
)  # fmt: skip
def test_ticks_are_round_numbers(low: float, high: float, expected: list[float]) -> None:
    """Claim: an axis carries few, round numbers inside its range."""
    assert ticks(low, high) == pytest.approx(expected)


def test_near_moments_share_a_number() -> None:
    """Claim: marks that would print over one another are numbered together, all others apart."""
    svg = drawn(Chart("T", "u", [Stroke("a", [(0.0, 1.0), (1000.0, 2.0)])],
                      marks_s=(0.0, 500.0, 501.0, 502.0)), 1000.0)  # fmt: skip
    numbers = [e.text for e in ET.fromstring(svg) if e.get("class") == "number"]  # noqa: S314
    assert numbers == ["1", "2–4"]
    assert svg.count('class="mark"') == 4


def test_a_chart_is_told_in_words_too() -> None:
    """Claim: who cannot see a chart hears its title, unit, ends and extremes."""
    chart = Chart("Flow", "L/min", [Stroke("flow", [(0.0, 1.0), (5.0, 9.0), (9.0, 4.0)])],
                  [Level("mark", 7.0)])  # fmt: skip
    label = ET.fromstring(drawn(chart, 9.0)).get("aria-label") or ""  # noqa: S314
    for word in ("Flow in L/min", "from 1 to 4", "highest 9", "mark at 7"):
        assert word in label
