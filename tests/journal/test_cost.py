"""What the record costs: microseconds for the engine, megabytes for the disk."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest

from monitor.journal import schema
from monitor.journal.bounds import FILE_MAX_BYTES
from monitor.journal.history import render_history
from monitor.journal.reader import JournalReader

pytestmark = pytest.mark.timing

TWO_HOURS_S = 7200
WEEKS = 261  # five years
SAMPLE_MAX_S = 20e-6


HANDING_OVER = """
    import sqlite3, statistics, sys, time
    from datetime import UTC, datetime
    from monitor.journal import schema
    from monitor.journal.rows import FillEnd, FillSample, FillStart, Outcome
    from monitor.journal.writer import JournalWriter

    path, disk, seconds = sys.argv[1], sys.argv[2], int(sys.argv[3])
    if disk == "stuck":
        schema.open_for_writing(__import__("pathlib").Path(path), datetime.now(UTC)).close()
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
    journal = JournalWriter(path, wall=lambda: datetime.now(UTC))
    rounds = []
    for number in range(5):
        fill = f"f{number}"
        journal.begin_fill(FillStart(fill, "river", 0.0, "volunteer", False, True, 1200.0))
        took = []
        for second in range(1, seconds + 1):
            one = FillSample(fill, float(second), 24.5, 10.0, second / 6, "filling")
            began_s = time.perf_counter()
            journal.sample(one)
            took.append(time.perf_counter() - began_s)
        rounds.append(took)
        journal.end_fill(FillEnd(fill, Outcome.DONE))
        if disk == "well":
            assert journal.flush(30.0)
    best = min(rounds, key=sum)
    cuts = statistics.quantiles(best, n=1000)
    print(statistics.fmean(best), cuts[499], cuts[989], max(best), journal.health.dropped)
"""


@pytest.mark.parametrize("disk", ["well", "stuck"])
def test_a_sample_costs_the_engine_microseconds(
    path: Path, disk: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two hours at 1 Hz, handed over all at once: at most 20 µs a sample on the caller's side in
    the best of five, with the disk well or with the file held by another program.

    In a process of its own, where nobody traces the lines for coverage.
    """
    untraced = {key: value for key, value in os.environ.items() if "COVERAGE" not in key}
    run = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(HANDING_OVER), str(path), disk, str(TWO_HOURS_S)],
        capture_output=True,
        text=True,
        check=True,
        env=untraced,
        cwd=Path(__file__).parents[2],
    )
    mean_s, median_s, late_s, worst_s, dropped = map(float, run.stdout.split())
    with capsys.disabled():
        sys.stdout.write(
            f"\nsample(), disk {disk}: mean {mean_s * 1e6:.1f} µs, median {median_s * 1e6:.1f}, "
            f"99 % {late_s * 1e6:.1f}, max {worst_s * 1e6:.0f}\n"
        )
    assert mean_s <= SAMPLE_MAX_S
    if disk == "well":
        assert dropped == 0


def weekly_fills() -> Iterator[tuple[object, ...]]:
    for week in range(1, WEEKS + 1):
        yield (week, f"{week:08x}-3c5e", f"20{21 + week // 52}-03-06T10:00:00.000Z", 7200.0, 7260.0)


@pytest.mark.slow
def test_five_years_of_weekly_fills_stay_small(
    path: Path, wall: Callable[[], datetime], capsys: pytest.CaptureFixture[str]
) -> None:
    """261 two-hour fills at 1 Hz fit a quarter of the file's bound, and the history of them all,
    one fill's samples and the last fill come back in a moment.
    """
    link = schema.open_for_writing(path, wall())
    link.execute("PRAGMA synchronous = OFF")  # making the case is not what is measured
    link.execute("BEGIN")
    link.executemany(
        "INSERT INTO fill (seq, id, station, started, started_by, attended, simulated, need_l, "
        "forecast_s, fill_s, outcome, delivered_l, temp_min_c, temp_mean_c, temp_max_c, temp_n) "
        "VALUES (?1, ?2, 'river', ?3, 'volunteer', 0, 0, 1200.0, ?4, ?5, 'done', 1201.3, "
        "23.9375, 24.6127, 25.1875, 7200)",
        weekly_fills(),
    )
    # Temperatures in the DS18B20's steps of 1/16 °C; flow and volume as uneven as real ones.
    link.execute(
        "WITH RECURSIVE second (t) AS (SELECT 1 UNION ALL SELECT t + 1 FROM second WHERE t < ?) "
        "INSERT INTO fill_sample SELECT seq, t * 1000, 24.5 + (t % 17) / 16.0, "
        "10.0 + (t * 7919 % 1000) / 3001.0, t / 6.0007, 'filling', "
        "0.27 + (t * 7919 % 77) / 3001.0, 25.0 + (t % 17) / 16.0 FROM fill, second",
        (TWO_HOURS_S,),
    )
    link.execute("COMMIT")
    link.close()
    size = path.stat().st_size
    with JournalReader(path) as reader:
        began_s = time.perf_counter()
        table = render_history(reader.list_fills(WEEKS))
        listed_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        last = reader.fill("last")
        found_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        samples = reader.samples(last.id)
        read_s = time.perf_counter() - began_s
    with capsys.disabled():
        sys.stdout.write(
            f"\nfive years: {size / 1e6:.1f} MB, {size / WEEKS / TWO_HOURS_S:.1f} bytes a sample; "
            f"history of {WEEKS} fills {listed_s * 1e3:.1f} ms, last fill {found_s * 1e3:.2f} ms, "
            f"its {len(samples)} samples {read_s * 1e3:.1f} ms\n"
        )
    assert table.count("\n") == WEEKS + 1
    assert len(samples) == TWO_HOURS_S
    assert size < FILE_MAX_BYTES / 4
    assert listed_s < 0.5
    assert found_s < 0.1
    assert read_s < 0.5
