"""The record under a bad disk: the caller never notices, nothing is lost, people know."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.journal import schema
from monitor.journal.inbox import ROOM, Lane
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmMark, FillEnd, FillSample, FillStart, Outcome
from monitor.journal.writer import Health, JournalWriter

Start = Callable[..., FillStart]
Sample = Callable[..., FillSample]
Until = Callable[[JournalWriter, Callable[[Health], bool]], Health]
Wall = Callable[[], datetime]
Filled = Callable[..., None]

NOBODY = 65534

NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


@pytest.fixture
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the writer wait 30 ms for a locked file instead of a second."""
    monkeypatch.setattr(schema, "BUSY_MS", 30)


@pytest.fixture
def little_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give the samples that wait room for a hundred instead of two hours."""
    monkeypatch.setitem(ROOM, Lane.SAMPLE, 100)


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that every user may reach; pytest's own is for its user alone."""
    folder = Path(tempfile.mkdtemp(prefix="record-"))
    folder.chmod(0o755)
    yield folder
    os.seteuid(os.getuid())  # also when the test broke off half-way
    for home in folder.iterdir():
        home.chmod(0o755)
    shutil.rmtree(folder)


@pytest.fixture
def unprivileged() -> Iterator[None]:
    """Drop root's right to write anywhere, for the whole process, while the test runs."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(NOBODY)
    yield
    os.seteuid(was)


@pytest.mark.usefixtures("unprivileged", "quick_retries")
def test_a_read_only_folder_is_told_and_waited_for(
    public_folder: Path, start: Start, sample: Sample, wall: Wall, until: Until
) -> None:
    """Rows wait while the folder may not be written, and all go in once it may."""
    home = public_folder / "home"
    os.seteuid(os.getuid())
    home.mkdir()
    if os.getuid() == 0:
        os.chown(home, NOBODY, NOBODY)
        os.seteuid(NOBODY)
    home.chmod(0o500)
    journal = JournalWriter(home / "record.db", wall=wall)
    journal.begin_fill(start())
    journal.sample(sample(1.0))
    health = until(journal, lambda now: not now.ok)
    assert "its folder may be written" in health.text
    assert not journal.flush(0.05)
    assert journal.health.waiting >= 2
    home.chmod(0o700)
    health = until(journal, lambda now: now.ok and now.written == 2)
    assert health.dropped == 0
    assert journal.close()


@pytest.mark.usefixtures("unprivileged")
def test_a_record_on_a_read_only_disk_can_be_read(
    public_folder: Path, start: Start, filled: Filled
) -> None:
    """A whole record in a folder where nothing may be made is read all the same."""
    os.seteuid(os.getuid())
    home = public_folder / "home"
    home.mkdir()
    filled(home / "record.db", start(), [])
    home.chmod(0o555)
    if os.getuid() == 0:
        os.seteuid(NOBODY)
    with JournalReader(home / "record.db") as reader:
        assert reader.fill("last").id == "f1"
    os.seteuid(os.getuid())
    home.chmod(0o755)


FULL_DISK = """
    import resource, sys, time
    from datetime import UTC, datetime
    from monitor.journal import writer
    from monitor.journal.rows import AlarmMark, FillEnd, FillSample, FillStart, Outcome

    writer.PAUSE_FIRST_S = writer.PAUSE_MAX_S = writer.COMMIT_EVERY_S = 0.02
    # Files of this process may grow to 150 kB and no further: a disk that fills up.
    resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, resource.RLIM_INFINITY))
    journal = writer.JournalWriter(sys.argv[1], wall=lambda: datetime.now(UTC))
    journal.begin_fill(FillStart("f1", "river", 0.0, "volunteer", False, True, 420.0))
    second = 0
    deadline_s = time.monotonic() + 20
    bad = 0
    # A failed try folds the write log into the file and so finds a little more room: the disk is
    # full when it has been so for ten looks.
    while bad < 10 and time.monotonic() < deadline_s:
        time.sleep(0.005)
        bad = 0 if journal.health.ok else bad + 1
        for _ in range(50 if journal.health.ok else 0):
            second += 1
            journal.sample(FillSample("f1", float(second), 24.5, 10.0, second / 6, "filling"))
    print(journal.health.text)
    journal.alarm(AlarmMark("river", "C13", "high", float(second), "disk full"))
    journal.end_fill(FillEnd("f1", Outcome.STOPPED))
    time.sleep(0.1)
    print(journal.health.ok, journal.health.waiting > 0)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    while not (journal.health.ok and journal.flush(0.1)) and time.monotonic() < deadline_s:
        pass
    print(second, journal.health.written, journal.health.dropped, journal.close())
"""


def test_a_full_disk_loses_nothing(path: Path) -> None:
    """At a file-size limit writing fails and is told; when there is room again every sample, the
    alarm and the end are in.
    """
    run = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FULL_DISK), str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert run.returncode == 0, run.stderr
    told, still, figures = run.stdout.splitlines()
    assert "cannot be written" in told
    assert "disk" in told
    assert still == "False True"
    count, written, dropped, closed = figures.split()
    assert (int(written), dropped, closed) == (int(count) + 3, "0", "True")
    with JournalReader(path) as reader:
        assert [one.t_s for one in reader.samples("f1")] == [
            float(second) for second in range(1, int(count) + 1)
        ]
        assert reader.fill("f1").outcome == Outcome.STOPPED
        assert [alarm.rule for alarm in reader.alarms()] == ["C13"]


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("mount") is None,
    reason="only root can mount a small disk",
)
@pytest.mark.usefixtures("quick_retries")
def test_a_really_full_disk_is_named_as_such(
    tmp_path: Path, start: Start, sample: Sample, wall: Wall, until: Until
) -> None:
    """On a file system with no room left (ENOSPC) the reason says so; making room is enough."""
    home = tmp_path / "small"
    home.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(home)],
        check=False,
        capture_output=True,
    )
    if mounted.returncode:
        pytest.skip("this machine does not let root mount a small disk")
    try:
        journal = JournalWriter(home / "record.db", wall=wall)
        journal.begin_fill(start())
        assert journal.flush()
        with pytest.raises(OSError, match="space"):
            (home / "photographs").write_bytes(bytes(2_000_000))
        count = 0
        while journal.health.ok:
            count += 1
            journal.sample(sample(float(count)))
            if count % 100 == 0:
                time.sleep(0.01)
        assert "the disk is full; make room" in journal.health.text
        (home / "photographs").unlink()
        assert until(journal, lambda now: now.ok).dropped == 0
        assert journal.close()
        with JournalReader(home / "record.db") as reader:
            assert len(reader.samples("f1")) == count
    finally:
        subprocess.run(["umount", str(home)], check=True)


@pytest.mark.usefixtures("quick_retries", "short_patience")
def test_a_locked_record_is_told_and_waited_for(
    path: Path, start: Start, sample: Sample, until: Until, filled: Filled
) -> None:
    """While another program holds the file, rows wait; `close` gives up within its bound."""
    filled(path, start("f0"), [])
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    journal = JournalWriter(path, wall=lambda: NOW)
    journal.begin_fill(start())
    journal.sample(sample(1.0))
    assert "locked" in until(journal, lambda now: not now.ok).text
    assert journal.open_fills("river", timeout_s=0.05) is None
    other.execute("COMMIT")
    until(journal, lambda now: now.ok and now.written == 2)
    other.execute("BEGIN EXCLUSIVE")
    journal.sample(sample(2.0))
    began_s = time.monotonic()
    assert not journal.close(0.5)
    assert time.monotonic() - began_s < 1.0
    other.close()


async def test_closing_does_not_block_the_event_loop(
    path: Path, start: Start, wall: Wall, filled: Filled
) -> None:
    """While `aclose` waits for a record that another program holds, the loop goes on."""
    filled(path, start("f0"), [])
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    closing = asyncio.create_task(journal.aclose(0.5))
    worst_s, before_s = 0.0, time.monotonic()
    while not closing.done():
        await asyncio.sleep(0.01)
        now_s = time.monotonic()
        worst_s, before_s = max(worst_s, now_s - before_s), now_s
    assert closing.result() is False
    assert worst_s < 0.25
    other.close()
    assert await journal.aclose(5.0)


@pytest.mark.usefixtures("quick_retries", "little_room")
def test_a_long_outage_drops_the_oldest_samples_and_nothing_else(
    path: Path, start: Start, sample: Sample, wall: Wall, until: Until
) -> None:
    """When the room is used up the oldest samples go, counted and told, also in the record; the
    start, the alarm and the end are all there.
    """
    blocker = path.parent / "home"
    blocker.write_text("a file where a folder is wanted")
    journal = JournalWriter(blocker / "record.db", wall=wall)
    until(journal, lambda now: not now.ok)
    journal.begin_fill(start())
    for second in range(1, 1001):
        journal.sample(sample(float(second)))
    journal.alarm(AlarmMark("river", "C13", "low", 1.0, "no record"))
    journal.end_fill(FillEnd("f1", Outcome.DONE))
    dropped = journal.health.dropped
    assert dropped >= 800
    blocker.unlink()
    health = until(journal, lambda now: now.ok and now.waiting == 0)
    assert f"{dropped} rows were lost" in health.text
    assert journal.close()
    with JournalReader(blocker / "record.db") as reader:
        assert reader.fill("f1").outcome == Outcome.DONE
        assert len(reader.alarms()) == 1
        kept = [one.t_s for one in reader.samples("f1")]
        assert f"{dropped} rows were lost" in reader.events()[0].text
    assert len(kept) == 1000 - dropped
    assert kept[-100:] == [float(second) for second in range(901, 1001)]
