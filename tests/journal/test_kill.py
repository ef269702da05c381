"""A writer killed with SIGKILL at any moment: what it had reported as committed is there."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import pytest

from monitor.journal.reader import JournalReader

KILLS = 20

WRITING = """
    import sys
    from datetime import UTC, datetime
    from monitor.journal import writer
    from monitor.journal.rows import AlarmMark, FillSample, FillStart, NoteMark

    path, fill = sys.argv[1:]
    journal = writer.JournalWriter(path, wall=lambda: datetime.now(UTC))
    journal.begin_fill(FillStart(fill, "river", 0.0, "volunteer", False, True, 420.0))
    second = 0
    while True:
        for _ in range(40):
            second += 1
            journal.sample(FillSample(fill, float(second), 24.5, 10.0, second / 6, "filling"))
            journal.input(fill, second / 3, "heard", str(second))
        journal.alarm(AlarmMark(fill, str(second), "low", float(second), "tick"))
        journal.note(NoteMark(fill, "proof", str(second), "volunteer", True))
        if journal.flush(30.0):
            print(second, flush=True)
"""


@pytest.mark.timeout(180)
def test_a_killed_writer_keeps_its_word(path: Path) -> None:
    """Twenty times over one file: kill -9 at a random instant, and the file is whole, every sample,
    input, alarm and note reported as committed is in it, without a hole, and every fill is found
    open.
    """
    chance = random.Random(20260307)
    promised: dict[str, int] = {}
    for number in range(KILLS):
        fill = f"f{number}"
        child = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(WRITING), str(path), fill],
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        assert child.stdout is not None
        promised[fill] = int(child.stdout.readline())
        killer = threading.Timer(chance.uniform(0.0, 0.15), child.kill)
        killer.start()
        for line in child.stdout:  # to the end of the pipe, so no promise is missed
            if line.endswith("\n"):
                promised[fill] = int(line)
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()
    link = sqlite3.connect(path)
    assert link.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    link.close()
    with JournalReader(path) as reader:
        for fill, last in promised.items():
            times = [one.t_s for one in reader.samples(fill)]
            assert len(times) >= last
            assert times == [float(second) for second in range(1, len(times) + 1)]
            marks = {int(alarm.rule) for alarm in reader.alarms(station=fill, limit=10_000)}
            assert marks >= set(range(40, last + 1, 40))
            proofs = {int(note.part) for note in reader.notes(station=fill, limit=10_000)}
            assert proofs >= set(range(40, last + 1, 40))
            inputs = reader.inputs(fill)
            assert len(inputs) >= last
            assert [(one.n, one.at_s, one.payload) for one in inputs] == [
                (second, second / 3, str(second)) for second in range(1, len(inputs) + 1)
            ]
            assert reader.fill(fill).outcome is None
    assert list(path.parent.glob("*.corrupt-*")) == []
    assert sum(promised.values()) > KILLS * 40
