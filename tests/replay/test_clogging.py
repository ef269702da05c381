from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from monitor.core.exchange import Way
from monitor.core.trend import Trend
from monitor.journal.rows import FillEnd, FillRecord, FillStart, NoteMark, NoteRecord, Outcome
from monitor.journal.writer import JournalWriter
from monitor.replay.clogging import FlowTrend, as_lines, as_text, flow_trend
from support.commands import brimwatch

FIRST = datetime(2026, 1, 3, 9, 0, tzinfo=UTC)
WEEK = timedelta(days=7)


def fill(number: int, flow_lpm: float | None, **changes: object) -> FillRecord:
    """Return an invented weekly fill of 400 L."""
    blank = dict.fromkeys(FillRecord.__dataclass_fields__)
    known: dict[str, object] = {
        "id": f"f{number}", "station": "river", "started": FIRST + number * WEEK,
        "simulated": False, "outcome": Outcome.DONE, "delivered_l": 400.0, "way": Way.IN,
        "start_flow_lpm": flow_lpm,
    }  # fmt: skip
    return FillRecord(**(blank | known | changes))  # type: ignore[arg-type]


def new_cartridge(after: int, **changes: object) -> NoteRecord:
    known: dict[str, object] = {
        "id": after, "station": "river", "what": "cartridge", "part": "", "by": "volunteer",
        "wall": FIRST + after * WEEK + timedelta(days=1), "simulated": False, "text": "",
    }  # fmt: skip
    return NoteRecord(**(known | changes))  # type: ignore[arg-type]


def trend(fills: list[FillRecord], *notes: NoteRecord, simulated: bool = False) -> FlowTrend:
    return flow_trend("river", fills[::-1], notes, simulated=simulated, too_slow_lpm=5.0)


def test_a_straight_decline_is_dated_to_the_day() -> None:
    """Claim: 10 L/min losing 0.1 a week passes 5 L/min after 50 weeks, whatever the noise-free
    line's method: here Theil-Sen (Theil 1950, Sen 1968) must be exact.
    """
    told = trend([fill(n, 10.0 - 0.1 * n) for n in range(20)])
    last = as_lines(told)[-1]
    assert last["trend"] == "falling"
    assert date.fromisoformat(last["too_slow_on"]) == (FIRST + 50 * WEEK).date()
    assert last["too_slow_earliest"] <= last["too_slow_on"] <= last["too_slow_latest"]
    assert last["lost_percent"] == pytest.approx(19.0)
    assert last["cartridge_l"] == 8000.0
    assert [line["cartridge_l"] for line in as_lines(told)[:3]] == [400.0, 800.0, 1200.0]
    words = as_text(told)
    assert last["too_slow_on"] in words
    assert "down by 19 %" in words


def test_no_decline_no_date() -> None:
    """Claim: flow that goes up and down by itself promises nothing."""
    told = trend([fill(n, 10.0 + (0.3 if n % 2 else -0.3)) for n in range(20)])
    last = as_lines(told)[-1]
    assert last["trend"] == "none"
    assert last["too_slow_on"] is None
    assert "No decline of the flow is proven." in as_text(told)


def test_a_new_cartridge_begins_anew() -> None:
    """Claim: after a noted cartridge only later fills count, for the litres as for the trend; a
    note of a simulation, or about another part, changes nothing of the real one.
    """
    fills = [fill(n, 10.0 - 0.2 * (n % 10)) for n in range(20)]
    told = trend(fills, new_cartridge(9))
    assert told.clogging.fills == 10
    assert told.cartridge_l == 4000.0
    assert told.clogging.trend is Trend.FALLING
    others = (new_cartridge(15, simulated=True), new_cartridge(15, what="people"),
              new_cartridge(15, station="pond"))  # fmt: skip
    assert trend(fills, new_cartridge(9), *others).cartridge_l == 4000.0


def test_only_fills_of_this_world_and_way_count() -> None:
    """Claim: drains, simulated fills and other stations are no part of it; an interrupted fill
    counts its litres and tells no flow.
    """
    fills = [fill(n, 10.0 - 0.1 * n) for n in range(10)]
    alien = [fill(20, 1.0, way=Way.OUT), fill(21, 1.0, simulated=True), fill(22, 1.0, station="x")]
    cut = fill(23, 2.0, outcome=Outcome.INTERRUPTED, delivered_l=50.0)
    told = trend([*fills, *alien, cut])
    assert told.clogging.fills == 10
    assert told.cartridge_l == 4050.0
    assert trend([*fills, *alien], simulated=True).clogging.fills == 1


def test_too_few_fills_are_told_as_such() -> None:
    """Claim: an empty record and one of two fills give words and no trend."""
    for count in (0, 1, 2):
        told = trend([fill(n, 10.0 - n) for n in range(count)])
        assert told.clogging.trend is Trend.NONE
        assert as_lines(told)[-1]["too_slow_on"] is None
        assert f"{count} fill" in as_text(told)


def test_the_command_reads_it_from_the_record(tmp_path: Path) -> None:
    """Claim: `brimwatch history --trend` tells the same of a record written by the journal."""
    now = [FIRST]
    writer = JournalWriter(tmp_path / "fills.db", wall=lambda: now[0])
    writer.note(NoteMark("river", "cartridge", "", "volunteer", simulated=False))
    for n in range(12):
        now[0] = FIRST + n * WEEK + timedelta(hours=1)
        writer.begin_fill(FillStart(f"f{n}", "river", float(n), "volunteer", False, False, 400.0))
        writer.end_fill(FillEnd(f"f{n}", Outcome.DONE, fill_s=2400.0, delivered_l=400.0,
                                start_flow_lpm=10.0 - 0.25 * n))  # fmt: skip
    assert writer.close(5.0)
    done = brimwatch("history", "--trend", "--too-slow-lpm", "5", "--journal", "fills.db", "--json",
                     cwd=tmp_path)  # fmt: skip
    assert done.code == 0
    assert len(done.objects) == 13
    assert done.last["trend"] == "falling"
    assert done.last["cartridge_l"] == 4800.0
    words = brimwatch("history", "--trend", "--journal", "fills.db", cwd=tmp_path)
    assert "down by" in words.out
    json.dumps(done.objects, allow_nan=False)
