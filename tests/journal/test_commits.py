"""When rows are committed, in which order, and once."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.journal import writer
from monitor.journal.inbox import ROOM, WAKE_AT, Inbox, Lane
from monitor.journal.reader import JournalReader
from monitor.journal.rows import AlarmMark, EventMark, FillEnd, FillSample, FillStart, Outcome
from monitor.journal.store import Row, Stamped, Store
from monitor.journal.writer import Health, JournalWriter

Start = Callable[..., FillStart]
Sample = Callable[..., FillSample]
Until = Callable[[JournalWriter, Callable[[Health], bool]], Health]
Wall = Callable[[], datetime]

NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)


def test_a_batch_that_breaks_is_undone_whole(
    path: Path, start: Start, sample: Sample, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error between the rows and the commit leaves nothing behind; given again, the batch goes
    in once.
    """
    rows: list[Row] = [start(), sample(1.0), sample(2.0), FillEnd("f1", Outcome.DONE)]
    batch = [Stamped(row, NOW) for row in rows]
    store = Store(path, lambda: NOW)

    def full(_link: sqlite3.Connection) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr("monitor.journal.store.prune", full)
        with pytest.raises(sqlite3.OperationalError, match="full"):
            store.write(batch, safe=True)
    with JournalReader(path) as reader:
        assert reader.list_fills() == ()
    assert store.write(batch, safe=True) == []
    store.close()
    with JournalReader(path) as reader:
        assert (reader.fill("f1").temp_n, len(reader.samples("f1"))) == (2, 2)


def test_an_ended_fill_is_not_begun_again(path: Path, start: Start, sample: Sample) -> None:
    """The same start, to the millisecond, after the fill has ended is a second fill: refused."""
    rows: list[Row] = [start(), sample(1.0), FillEnd("f1", Outcome.DONE)]
    store = Store(path, lambda: NOW)
    assert store.write([Stamped(row, NOW) for row in rows], safe=False) == []
    refused = store.write([Stamped(start(), NOW), Stamped(sample(2.0), NOW)], safe=False)
    store.close()
    assert len(refused) == 2
    with JournalReader(path) as reader:
        assert len(reader.samples("f1")) == 1


def test_what_matters_is_committed_at_once(
    path: Path, start: Start, sample: Sample, wall: Wall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Samples alone wait for the next commit; a start, an end, an alarm or an event does not, and
    takes the waiting samples with it.
    """
    monkeypatch.setattr(writer, "COMMIT_EVERY_S", 60.0)
    journal = JournalWriter(path, wall=wall)
    important: list[Callable[[], None]] = [
        lambda: journal.begin_fill(start()),
        lambda: journal.alarm(AlarmMark("river", "W06", "top", 1.0, "wet")),
        lambda: journal.event(EventMark("river", "request", "stop", 1.0)),
        lambda: journal.end_fill(FillEnd("f1", Outcome.DONE)),
    ]
    written = 0
    for number, hand_over in enumerate(important):
        if number:
            journal.sample(sample(float(number)))
            written += 1
            time.sleep(0.1)
            assert journal.health.waiting == 1
        hand_over()
        written += 1
        deadline_s = time.monotonic() + 5.0
        while journal.health.written < written:
            assert time.monotonic() < deadline_s
            time.sleep(0.005)
    assert journal.close()


def test_a_flood_of_samples_does_not_wait_for_the_clock(
    path: Path, start: Start, sample: Sample, wall: Wall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A simulation that hands over minutes in a moment is written as it comes, not dropped."""
    monkeypatch.setattr(writer, "COMMIT_EVERY_S", 60.0)
    journal = JournalWriter(path, wall=wall)
    journal.begin_fill(start())
    assert journal.flush()
    for second in range(WAKE_AT):
        assert journal.health.written == 1
        journal.sample(sample(float(second)))
    deadline_s = time.monotonic() + 5.0
    while journal.health.written < 1 + WAKE_AT:
        assert time.monotonic() < deadline_s
        time.sleep(0.005)
    assert journal.close()


def test_a_commit_that_was_in_after_all_is_not_doubled(
    path: Path, start: Start, sample: Sample
) -> None:
    """When a commit is reported as failed and yet was made, giving the rows again changes nothing
    and refuses nothing.
    """
    rows: list[Row] = [start(), sample(1.0), sample(2.0)]
    batch = [Stamped(row, NOW) for row in rows]
    for _ in range(2):
        store = Store(path, lambda: NOW)
        assert store.write(batch, safe=True) == []
        store.close()
    with JournalReader(path) as reader:
        assert len(reader.list_fills()) == 1
        assert len(reader.samples("f1")) == 2


def test_what_the_writer_remembers_is_bounded(
    path: Path, start: Start, sample: Sample, wall: Wall
) -> None:
    """Hundreds of fills begun and never ended, and as many refused, leave bounded memory and a
    whole record.
    """
    journal = JournalWriter(path, wall=wall)
    for _ in range(2):  # the second time every id is known already
        for number in range(200):
            journal.begin_fill(start(f"f{number}"))
            journal.sample(sample(1.0, fill=f"f{number}"))
    assert journal.flush(10.0)
    assert journal.close()
    store = journal._store
    sizes = [len(store._running), len(store._refused), len(journal._thinned)]
    assert max(sizes) <= 64
    with JournalReader(path) as reader:
        assert len(reader.list_fills(1000)) == 200
        assert len(reader.samples("f199")) == 1


def test_the_inbox_keeps_order_and_its_bounds() -> None:
    """Rows come out in the order they went in, whatever their lane; each lane loses only its own
    oldest.
    """
    inbox: Inbox[int] = Inbox({Lane.SAMPLE: 3, Lane.EVENT: 2, Lane.KEPT: 4, Lane.INPUT: 1})
    for number in range(16):
        inbox.put(Lane(number % 4), number)
    assert inbox.take(0.0) == [2, 4, 6, 8, 9, 10, 12, 13, 14, 15]
    assert [inbox.dropped(lane) for lane in Lane] == [1, 2, 0, 3]
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
