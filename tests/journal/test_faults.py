"""The record under a bad disk: the caller never notices, nothing committed is lost, people know."""

from __future__ import annotations

import asyncio
import hashlib
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

from monitor.journal import schema, writer
from monitor.journal.inbox import ROOM, Inbox, Lane
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmMark, EventMark, FillEnd, FillSample, FillStart, Outcome
from monitor.journal.store import ASIDE_MAX, Stamped, Store
from monitor.journal.writer import Health, JournalWriter

Start = Callable[..., FillStart]
Sample = Callable[..., FillSample]
Until = Callable[[JournalWriter, Callable[[Health], bool]], Health]
Wall = Callable[[], datetime]

NOBODY = 65534
NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def filled(path: Path, start: FillStart, samples: list[FillSample]) -> None:
    """Make a whole record with one finished fill."""
    store = Store(path, lambda: NOW)
    rows = (start, *samples, FillEnd(start.id, Outcome.DONE))
    assert store.write([Stamped(row, NOW) for row in rows], safe=False) == []
    store.close()


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
def test_a_record_on_a_read_only_disk_can_be_read(public_folder: Path, start: Start) -> None:
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
    path: Path, start: Start, sample: Sample, wall: Wall, until: Until
) -> None:
    """While another program holds the file, rows wait; `close` gives up within its bound."""
    filled(path, start("f0"), [])
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    journal = JournalWriter(path, wall=wall)
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
    path: Path, start: Start, wall: Wall, until: Until
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


def ruin_header(path: Path) -> None:
    """Overwrite the file's first page, as a dying memory card may."""
    with path.open("r+b") as out:
        out.write(b"\xa5" * 4096)


def ruin_fills(path: Path) -> None:
    """Overwrite the page that holds the fills."""
    with sqlite3.connect(path) as link:
        (page,) = link.execute("SELECT rootpage FROM sqlite_master WHERE name = 'fill'").fetchone()
    link.close()
    with path.open("r+b") as out:
        out.seek((page - 1) * 4096)
        out.write(b"\xa5" * 4096)


def ruin_by_text(path: Path) -> None:
    """Put something else in its place."""
    path.write_text("this was a record once\n" * 50)


def ruin_by_cutting(path: Path) -> None:
    """Lose the file's second half."""
    with path.open("r+b") as out:
        out.truncate(path.stat().st_size // 2 // 4096 * 4096)


RUINS = [ruin_header, ruin_fills, ruin_by_text, ruin_by_cutting]


@pytest.mark.parametrize("ruin", RUINS)
def test_a_damaged_record_is_moved_aside(
    path: Path, start: Start, sample: Sample, wall: Wall, ruin: Callable[[Path], None]
) -> None:
    """The damaged file keeps every byte under a name that says what it is, a new record begins at
    once and says so itself, and nothing handed over is lost.
    """
    filled(path, start("f0"), [sample(float(n), fill="f0") for n in range(500)])
    ruin(path)
    bytes_before = digest(path)
    told: list[Health] = []
    journal = JournalWriter(path, wall=wall, tell=told.append)
    journal.begin_fill(start())
    journal.sample(sample(1.0))
    assert journal.flush(5.0)
    assert journal.close()
    (aside,) = path.parent.glob("record.db.corrupt-2026*")
    assert digest(aside) == bytes_before
    assert aside.name in journal.health.text
    assert [health.ok for health in told][-2:] == [False, True]
    with JournalReader(path) as reader:
        assert [fill.id for fill in reader.list_fills()] == ["f1"]
        assert len(reader.samples("f1")) == 1
        (event,) = reader.events()
        assert (event.kind, aside.name in event.text) == ("journal", True)


@pytest.mark.usefixtures("quick_retries")
@pytest.mark.parametrize("ruin", [ruin_header, ruin_by_text])
@pytest.mark.parametrize("logged", [True, False])
def test_damage_in_mid_fill_loses_only_what_was_in_the_old_file(
    path: Path, start: Start, sample: Sample, ruin: Callable[[Path], None], logged: bool
) -> None:
    """A file ruined under a running writer: what the write log still holds heals it; otherwise it
    is replaced, and the fill goes on in the new one with its start carried over.
    """
    journal = JournalWriter(path, wall=lambda: NOW)
    journal.begin_fill(start(need_l=321.0))
    journal.sample(sample(1.0))
    assert journal.flush()
    if not logged:
        other = sqlite3.connect(path)
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.close()
    ruin(path)
    # The header is only read again by a new connection: let the writer make one.
    journal._store._inode = (-1, -1)
    journal.sample(sample(2.0))
    journal.end_fill(FillEnd("f1", Outcome.DONE, delivered_l=12.0))
    assert journal.flush(5.0)
    assert journal.close()
    with JournalReader(path) as reader:
        fill = reader.fill("f1")
        assert (fill.need_l, fill.delivered_l, fill.outcome) == (321.0, 12.0, Outcome.DONE)
        assert [one.t_s for one in reader.samples("f1")] == ([1.0, 2.0] if logged else [2.0])
    assert len(list(path.parent.glob("*.corrupt-*"))) == (0 if logged else 1)


def test_a_deleted_record_is_begun_anew(
    path: Path, start: Start, sample: Sample, wall: Wall
) -> None:
    """A file deleted under a running writer is noticed: writing on into the void is no record."""
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    assert journal.flush()
    path.unlink()
    journal.sample(sample(1.0))
    assert journal.flush(5.0)
    assert journal.close()
    with JournalReader(path) as reader:
        assert reader.fill("last").id == "f1"
        assert len(reader.samples("f1")) == 1
        assert "moved or deleted" in reader.events()[0].text


@pytest.mark.usefixtures("quick_retries")
def test_damaged_files_do_not_pile_up(path: Path, wall: Wall, until: Until) -> None:
    """With so many damaged files beside it, the writer leaves the next one and asks for help."""
    for number in range(ASIDE_MAX):
        path.with_name(f"{path.name}.corrupt-{number}").write_text("older damage")
    ruin_by_text(path)
    journal = JournalWriter(path, wall=wall)
    assert "the disk may be failing" in until(journal, lambda now: not now.ok).text
    assert journal.close()
    assert len(list(path.parent.glob("*.corrupt-*"))) == ASIDE_MAX
    assert path.read_text().startswith("this was a record once")


def test_an_older_record_is_migrated(path: Path, start: Start, sample: Sample, wall: Wall) -> None:
    """A record of the first form keeps its fills and gains what came later; a reader of it says
    what to do until then.
    """
    old = schema.open_for_writing(path, NOW, schema.MIGRATIONS[:1])
    old.execute(
        "INSERT INTO fill (id, station, started, started_by, attended, simulated) "
        "VALUES ('old', 'river', '2026-01-03T10:00:00.000Z', 'volunteer', 1, 0)"
    )
    old.close()
    with pytest.raises(schema.OlderRecordError, match="start the engine once"):
        JournalReader(path)
    journal = JournalWriter(path, wall=wall)
    journal.alarm(AlarmMark("river", "W06", "top", 1.0, "wet"))
    assert journal.flush()
    assert journal.close()
    with JournalReader(path) as reader:
        assert reader.fill("last").id == "old"
        assert len(reader.alarms()) == 1
        versions = reader._link.execute("SELECT version FROM meta ORDER BY version").fetchall()
    assert [version for (version,) in versions] == list(range(1, schema.SCHEMA_VERSION + 1))


def test_a_failed_migration_changes_nothing(path: Path, start: Start) -> None:
    """A step that breaks half-way is undone whole, and the record stays usable as it was."""
    filled(path, start(), [])
    step = ("ALTER TABLE fill ADD COLUMN colour TEXT", "CREATE NONSENSE")
    with pytest.raises(sqlite3.OperationalError):
        schema.open_for_writing(path, NOW, (*schema.MIGRATIONS, step))
    with JournalReader(path) as reader:
        assert reader.fill("last").id == "f1"
        names = [row["name"] for row in reader._link.execute("PRAGMA table_info(fill)")]
    assert "colour" not in names


@pytest.mark.usefixtures("quick_retries")
@pytest.mark.parametrize("kind", ["newer", "foreign"])
def test_a_record_of_others_is_left_alone(
    path: Path, start: Start, wall: Wall, until: Until, kind: str
) -> None:
    """A later brimwatch's record and another program's database are refused by reader and writer,
    with the way out, and not one byte of them is changed.
    """
    if kind == "newer":
        filled(path, start(), [])
        link = sqlite3.connect(path)
        link.execute("INSERT INTO meta VALUES (99, '2031-01-01T00:00:00.000Z')")
    else:
        link = sqlite3.connect(path)
        link.execute("CREATE TABLE recipes (name TEXT)")
    link.commit()
    link.close()
    before = digest(path)
    error, words = {
        "newer": (schema.NewerRecordError, "update brimwatch"),
        "foreign": (schema.ForeignFileError, "name another file"),
    }[kind]
    with pytest.raises(error, match=words):
        JournalReader(path)
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    assert words in until(journal, lambda now: not now.ok).text
    assert not journal.flush(0.05)
    assert not journal.close()
    assert digest(path) == before
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_readers_say_what_is_wrong(path: Path, start: Start) -> None:
    """No file and a damaged file are errors with a way out, not tracebacks of SQLite."""
    with pytest.raises(schema.JournalError, match="there is no record"):
        JournalReader(path)
    filled(path, start(), [])
    ruin_fills(path)
    with (
        pytest.raises(schema.DamagedRecordError, match="recover"),
        JournalReader(path) as reader,
    ):
        reader.list_fills()
    ruin_by_text(path)
    with pytest.raises(schema.DamagedRecordError, match="not a database"):
        JournalReader(path)


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


def test_the_inbox_keeps_order_and_its_bounds() -> None:
    """Rows come out in the order they went in, whatever their lane; each lane loses only its own
    oldest.
    """
    inbox: Inbox[int] = Inbox({Lane.SAMPLE: 3, Lane.EVENT: 2, Lane.KEPT: 4})
    for number in range(12):
        inbox.put(Lane(number % 3), number)
    assert inbox.take(0.0) == [2, 3, 5, 6, 7, 8, 9, 10, 11]
    assert [inbox.dropped(lane) for lane in Lane] == [1, 2, 0]
    inbox.close()
    assert inbox.take(60.0) == []


def test_a_listener_that_fails_is_dropped(path: Path, start: Start, wall: Wall) -> None:
    """An error in `tell` does not stop the record."""

    def bad(_health: Health) -> None:
        raise RuntimeError("not listening")

    journal = JournalWriter(path, wall=wall, tell=bad)
    journal.begin_fill(start())
    assert journal.flush()
    assert journal.close()
    assert journal.health.written == 1


@pytest.mark.usefixtures("quick_retries")
def test_an_unforeseen_error_is_told_and_retried(
    path: Path, start: Start, wall: Wall, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error nobody thought of leaves the writer alive, its rows waiting, its health bad."""
    real = Store.write
    broken = True

    def write(store: Store, batch: list[Stamped], *, safe: bool) -> list[str]:
        if broken:
            raise MemoryError("none left")
        return real(store, batch, safe=safe)

    monkeypatch.setattr(Store, "write", write)
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    assert "MemoryError: none left" in until(journal, lambda now: not now.ok).text
    broken = False
    assert until(journal, lambda now: now.ok and now.written == 1).waiting == 0
    assert journal.close()


def test_pauses_between_tries_are_bounded(
    path: Path, wall: Wall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pauses double from one second to one minute and stay there."""
    pauses: list[float] = []

    def rest(_inbox: Inbox[object], pause_s: float) -> bool:
        pauses.append(pause_s)
        return len(pauses) == 10

    def write(_store: Store, _batch: list[Stamped], *, safe: bool) -> list[str]:
        raise sqlite3.OperationalError(f"no ({safe})")

    monkeypatch.setattr(Inbox, "rest", rest)
    monkeypatch.setattr(Store, "write", write)
    journal = JournalWriter(path, wall=wall)
    journal._thread.join(5.0)  # type: ignore[union-attr]
    assert pauses == [1, 2, 4, 8, 16, 32, 60, 60, 60, 60]
    assert (writer.PAUSE_FIRST_S, writer.PAUSE_MAX_S) == (1.0, 60.0)


def test_events_have_room_of_their_own() -> None:
    """A storm of events cannot push out a sample or an alarm."""
    inbox: Inbox[object] = Inbox()
    alarm = AlarmMark("river", "W06", "top", 1.0, "wet")
    inbox.put(Lane.KEPT, alarm)
    for number in range(ROOM[Lane.EVENT] * 3):
        inbox.put(Lane.EVENT, EventMark("river", "noise", str(number), 1.0))
    assert alarm in inbox.take(0.0)
    assert inbox.dropped(Lane.KEPT) == 0
