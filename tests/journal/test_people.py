"""The record for people and programs: the history table, JSON, and CSV files."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import Way
from monitor.journal.export import COLUMNS, save_csv, write_csv
from monitor.journal.history import as_dict, render_history
from monitor.journal.rows import AlarmRecord, FillRecord, FillSample, NoteRecord, Outcome

STARTED = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
DONE = FillRecord(
    id="a1b2c3d4",
    station="river",
    started=STARTED,
    started_at_s=100.0,
    started_by="volunteer",
    attended=False,
    simulated=False,
    need_l=420.0,
    forecast_s=2520.0,
    forecast_low_s=2400.0,
    forecast_high_s=2700.0,
    level_start_m=0.3,
    level_end_m=0.55,
    mark_m=0.55,
    band_low_c=23.0,
    band_high_c=27.0,
    ended=STARTED + timedelta(seconds=2556),
    fill_s=2556.0,
    outcome=Outcome.DONE,
    cause="",
    delivered_l=421.4,
    temp_min_c=23.94,
    temp_mean_c=24.61,
    temp_max_c=25.19,
    temp_n=2550,
    out_of_band_s=0.0,
    note="",
)
RUNNING = replace(
    DONE,
    id="running-with-a-long-name",
    simulated=True,
    ended=None,
    fill_s=None,
    outcome=None,
    delivered_l=None,
    temp_n=0,
)
STOPPED = replace(
    DONE,
    id="e5",
    outcome=Outcome.STOPPED,
    cause="W06: leak probe wet",
    fill_s=75.0,
    way=Way.OUT,
)


def test_the_history_is_a_table() -> None:
    """Every fact stands in its column; the forecast's error only where the fill reached its mark;
    a simulated fill cannot be taken for a real one, nor a drain for a fill.
    """
    head, running, stopped, done = render_history([RUNNING, STOPPED, DONE], zone=UTC).splitlines()
    assert head == (
        "started           fill          way      litres  minutes     forecast     "
        "°C min/mean/max  "
        "result"
    )
    assert running == (
        "2026-03-07 09:00  running-wit…  in     – of 420        –         42.0  "
        "                 –  SIMULATED running, or its engine is gone"
    )
    assert stopped == (
        "2026-03-07 09:00  e5            out  421 of 420      1.2         42.0  "
        "23.9 / 24.6 / 25.2  "
        "stopped: W06: leak probe wet"
    )
    assert done == (
        "2026-03-07 09:00  a1b2c3d4      in   421 of 420     42.6  42.0 (+0.6)  "
        "23.9 / 24.6 / 25.2  done"
    )


def test_times_are_shown_where_the_reader_is() -> None:
    """In another zone the same fill shows that zone's time, summer time included."""
    summer = replace(DONE, started=datetime(2026, 7, 4, 9, 0, tzinfo=UTC))
    assert "2026-07-04 10:00" in render_history([summer], zone=ZoneInfo("Europe/London"))
    assert "2026-03-07 09:00" in render_history([DONE], zone=ZoneInfo("Europe/London"))


def test_an_empty_history_says_so() -> None:
    """No fills is a sentence, not an empty table."""
    assert render_history([]) == "No fill is recorded yet.\n"


@given(st.text(max_size=300), st.text(max_size=300))
def test_no_text_breaks_the_table(fill: str, cause: str) -> None:
    """Line ends, escapes and endless words in the record cannot tear a line or widen it far."""
    odd = replace(DONE, id=fill, cause=cause)
    table = render_history([odd, DONE], zone=UTC)
    assert table.count("\n") == 3
    for line in table.splitlines():
        assert line.isprintable()
        assert len(line) <= 160


def test_rows_become_json() -> None:
    """Every field is there under its own name, times as RFC 3339 in UTC, unknown as null."""
    data = json.loads(json.dumps(as_dict(RUNNING), allow_nan=False))
    assert set(data) == set(FillRecord.__dataclass_fields__)
    assert data["started"] == "2026-03-07T09:00:00.000Z"
    assert (data["outcome"], data["ended"], data["simulated"]) == (None, None, True)
    assert json.loads(json.dumps(as_dict(DONE)))["outcome"] == "done"
    assert (data["way"], as_dict(STOPPED)["way"]) == ("in", "out")
    note = NoteRecord(1, "river", "proof", "high", "volunteer", STARTED, False, "")
    assert as_dict(note)["wall"] == "2026-03-07T09:00:00.000Z"
    alarm = AlarmRecord(1, "river", None, "W06", "top", STARTED, 1.5, None, "wet")
    assert as_dict(alarm)["raised"] == "2026-03-07T09:00:00.000Z"


# RFC 4180, section 2, as a grammar: every line ends in CRLF and a field holding a comma, a quote
# or a line end is quoted, with inner quotes doubled.
_FIELD = r'(?:"(?:[^"]|"")*"|[^",\r\n]*)'
RFC4180 = re.compile(rf"(?:{_FIELD}(?:,{_FIELD}){{{len(COLUMNS) - 1}}}\r\n)+")

figures = st.none() | st.floats(allow_nan=False, allow_infinity=False)
moments = st.lists(
    st.builds(
        FillSample,
        st.just(DONE.id),
        st.integers(0, 10**9).map(lambda ms: ms / 1000),
        figures,
        figures,
        figures,
        st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), max_size=16),
        figures,
        figures,
    ),
    max_size=20,
)


def read_back(text: str) -> list[FillSample]:
    """Read a table with the standard library's reader, told to be strict."""

    def number(field: str) -> float | None:
        return float(field) if field else None

    table = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    return [
        FillSample(
            DONE.id,
            float(row["t_s"]),
            number(row["temp_c"]),
            number(row["flow_lpm"]),
            number(row["volume_l"]),
            row["phase"],
            number(row["level_m"]),
            number(row["tank_c"]),
        )
        for row in table
    ]


@given(moments)
def test_csv_reads_back_to_the_same_values(samples: list[FillSample]) -> None:
    """The table follows RFC 4180; read back it gives the same samples to the last bit, and written
    again the same text.
    """
    out = io.StringIO(newline="")
    assert write_csv(DONE, samples, out) == len(samples)
    text = out.getvalue()
    assert RFC4180.fullmatch(text)
    assert read_back(text) == samples
    again = io.StringIO(newline="")
    write_csv(DONE, read_back(text), again)
    assert again.getvalue() == text


def test_csv_of_a_known_fill() -> None:
    """The header, the wall time of each line, and an empty field for what is not known."""
    out = io.StringIO(newline="")
    samples = [
        FillSample("a1b2c3d4", 0.0, 24.5, None, 0.0, "checking"),
        FillSample("a1b2c3d4", 1.25, None, 9.75, 0.2, "filling", 0.27, 25.5),
    ]
    write_csv(DONE, samples, out)
    assert out.getvalue() == (
        "t_s,wall,temp_c,flow_lpm,volume_l,phase,level_m,tank_c\r\n"
        "0.0,2026-03-07T09:00:00.000Z,24.5,,0.0,checking,,\r\n"
        "1.25,2026-03-07T09:00:01.250Z,,9.75,0.2,filling,0.27,25.5\r\n"
    )


def test_a_csv_file_is_whole_or_not_there(tmp_path: Path) -> None:
    """A saved file has the same bytes as the stream; one that breaks off leaves the old one."""
    target = tmp_path / "fill.csv"
    sample = FillSample("a1b2c3d4", 1.0, 24.5, 10.0, 0.2, "filling")
    assert save_csv(DONE, [sample], target) == 1
    out = io.StringIO(newline="")
    write_csv(DONE, [sample], out)
    whole = target.read_bytes()
    assert whole == out.getvalue().encode()

    def breaking_off() -> list[FillSample]:
        raise OSError("no more")

    with pytest.raises(OSError, match="no more"):
        save_csv(DONE, (one for one in [0] for _ in breaking_off()), target)  # type: ignore[misc]
    assert target.read_bytes() == whole
    assert list(tmp_path.iterdir()) == [target]
    with pytest.raises(FileNotFoundError):
        save_csv(DONE, [sample], tmp_path / "nowhere" / "fill.csv")
