"""A damaged record: moved aside whole, begun anew, and told."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.journal import schema
from monitor.journal.reader import JournalReader
from monitor.journal.rows import FillEnd, FillSample, FillStart, Outcome
from monitor.journal.store import ASIDE_MAX, Store
from monitor.journal.writer import Health, JournalWriter

Start = Callable[..., FillStart]
Sample = Callable[..., FillSample]
Until = Callable[[JournalWriter, Callable[[Health], bool]], Health]
Wall = Callable[[], datetime]
Filled = Callable[..., None]

NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def ruin_header(path: Path) -> None:
    """Overwrite the file's first page, as a dying memory card may."""
    with path.open("r+b") as out:
        out.write(b"\xa5" * 4096)


def ruin_table(path: Path, name: str) -> None:
    """Overwrite the first page of a table or an index."""
    link = sqlite3.connect(path)
    (page,) = link.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    link.close()
    with path.open("r+b") as out:
        out.seek((page - 1) * 4096)
        out.write(b"\xa5" * 4096)


def ruin_fills(path: Path) -> None:
    """Overwrite the page that holds the fills."""
    ruin_table(path, "fill")


def ruin_index(path: Path) -> None:
    """Overwrite an index of the fills, which reading them by number does not touch."""
    ruin_table(path, "fill_by_station")


def ruin_by_text(path: Path) -> None:
    """Put something else in its place."""
    path.write_text("this was a record once\n" * 50)


def ruin_by_cutting(path: Path) -> None:
    """Lose the file's second half."""
    with path.open("r+b") as out:
        out.truncate(path.stat().st_size // 2 // 4096 * 4096)


RUINS = [ruin_header, ruin_fills, ruin_index, ruin_by_text, ruin_by_cutting]


@pytest.mark.parametrize("ruin", RUINS)
def test_a_damaged_record_is_moved_aside(
    path: Path,
    start: Start,
    sample: Sample,
    ruin: Callable[[Path], None],
    filled: Filled,
) -> None:
    """The damaged file keeps every byte under a name that says what it is, a new record begins at
    once and says so itself, and nothing handed over is lost.
    """
    filled(path, start("f0"), [sample(float(n), fill="f0") for n in range(500)])
    ruin(path)
    bytes_before = digest(path)
    told: list[Health] = []
    journal = JournalWriter(path, wall=lambda: NOW, tell=told.append)
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


@pytest.mark.parametrize("table", ["alarm", "note", "note_by_what"])
def test_damage_that_no_row_touches_is_found_at_the_start(
    path: Path, start: Start, wall: Wall, filled: Filled, table: str
) -> None:
    """A broken table of alarms or notes is found when the record is opened, not at its first row:
    a new record knows of no proof, and a broken one might tell of one that never was.
    """
    filled(path, start("f0"), [])
    ruin_table(path, table)
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    assert journal.flush(5.0)
    assert journal.close()
    assert len(list(path.parent.glob("record.db.corrupt-*"))) == 1


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


def test_what_is_moved_aside_is_moved_whole_and_under_a_new_name(path: Path) -> None:
    """Two damaged files of one second get two names, and a write log goes with its file."""
    store = Store(path, lambda: NOW)
    names = []
    for text in ("one", "two"):
        path.write_text(text)
        path.with_name("record.db-wal").write_text(f"log of {text}")
        names.append(store.move_aside().name)
    assert names == ["record.db.corrupt-20260307T090000Z", "record.db.corrupt-20260307T090000Z-2"]
    assert [path.with_name(name).read_text() for name in names] == ["one", "two"]
    assert [path.with_name(f"{name}-wal").read_text() for name in names] == [
        "log of one",
        "log of two",
    ]


def test_readers_say_what_is_wrong(path: Path, start: Start, filled: Filled) -> None:
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
