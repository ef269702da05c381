"""The engine's hand on the record: takes rows in microseconds, writes them in its own thread.

Nothing here waits for the disk except `flush`, `close` and the questions (`open_fills`, `facts`,
`priors`), each bounded, and nothing raises. A full, read-only, locked or broken disk shows in
`health` while rows wait in bounded room; writing goes on by itself when it can.
"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Generic, TypeVar

from monitor.core.facts import Facts
from monitor.core.priors import Priors
from monitor.journal.inbox import Inbox, Lane
from monitor.journal.inputs import Inputs
from monitor.journal.rows import (
    AlarmMark,
    EventMark,
    FillEnd,
    FillRecord,
    FillSample,
    FillStart,
    InputChunk,
    NoteMark,
)
from monitor.journal.schema import JournalError, is_damage
from monitor.journal.store import Row, Stamped, Store

COMMIT_EVERY_S = 1.0
CLOSE_S = 2.0
PAUSE_FIRST_S = 1.0
PAUSE_MAX_S = 60.0
SAMPLE_GAP_MIN_S = 0.9  # the record goes down to 1 Hz; a little less allows for jitter
SAMPLES_PER_FILL_MAX = 100_000  # 27 hours at 1 Hz
THINNED_MAX = 64
Answer = TypeVar("Answer")

_REASONS = {
    sqlite3.SQLITE_FULL: "the disk is full; make room and it goes on by itself",
    sqlite3.SQLITE_READONLY: "the file or its folder is read-only; allow writing to it",
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened; check that its folder may be written",
    sqlite3.SQLITE_PERM: "writing is not permitted; check the folder's owner",
    sqlite3.SQLITE_BUSY: "another program keeps it locked; end that program",
    sqlite3.SQLITE_LOCKED: "another program keeps it locked; end that program",
    sqlite3.SQLITE_IOERR: "the disk reports an error; check it and the room on it",
}


@dataclass(frozen=True, slots=True)
class Health:
    """How the record fares. `text` is one sentence for people.

    `written` counts committed rows, `dropped` rows lost for want of room, `refused` rows that
    could not stand in the record, `waiting` rows not committed yet.
    """

    ok: bool
    text: str
    written: int = 0
    waiting: int = 0
    dropped: int = 0
    refused: int = 0


@dataclass(slots=True)
class _Ask(Generic[Answer]):
    """A question to the writer thread: answered after all rows handed over before it."""

    question: Callable[[Store], Answer]
    answer: Answer | None = None
    done: threading.Event = field(default_factory=threading.Event)

    def settle(self, store: Store) -> None:
        """Answer it, in the writer thread."""
        self.answer = self.question(store)
        self.done.set()


@dataclass(slots=True)
class _Thinning:
    t_s: float
    phase: str
    count: int


class JournalWriter:
    """Writes the record of one engine. One thread calls it; another of its own writes."""

    def __init__(
        self,
        path: Path | str | None,
        *,
        wall: Callable[[], datetime],
        tell: Callable[[Health], None] | None = None,
    ) -> None:
        """Start the writer thread. With no path nothing is kept, by the same calls.

        `tell` is called from the writer thread whenever `health.text` changes; it must return at
        once.
        """
        self._wall = wall
        self._tell = tell
        self._inbox: Inbox[Stamped | _Ask[Any]] = Inbox()
        self._thinned: dict[str, _Thinning] = {}
        self._inputs = Inputs()
        self._over = 0
        self._written = 0
        self._refused = 0
        self._told_lost = 0
        self._past = ""
        self._pending: list[Stamped | _Ask[Any]] = []
        self._ok = True
        self._text = "No record is kept." if path is None else f"The record {path} is being opened."
        self._path = None if path is None else Path(path)
        self._thread: threading.Thread | None = None
        if self._path is not None:
            self._store = Store(self._path, wall)
            self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
            self._thread.start()

    @property
    def health(self) -> Health:
        """How the record fares now."""
        return Health(
            ok=self._ok,
            text=self._text,
            written=self._written,
            waiting=self._inbox.waiting + len(self._pending) + self._inputs.waiting,
            dropped=self._dropped(),
            refused=self._refused + self._inputs.refused,
        )

    @property
    def path(self) -> Path | None:
        """Where the record is; None when nothing is kept."""
        return self._path

    def begin_fill(self, start: FillStart) -> None:
        """Record that a fill begins."""
        self._put(Lane.KEPT, start)

    def sample(self, sample: FillSample) -> None:
        """Record a moment of a fill: at most one a second, and every change of phase."""
        if self._thread is None:
            return
        last = self._thinned.get(sample.fill)
        if last is None:
            if len(self._thinned) >= THINNED_MAX:
                self._thinned.clear()
            self._thinned[sample.fill] = _Thinning(sample.t_s, sample.phase, 1)
        else:
            if abs(sample.t_s - last.t_s) < SAMPLE_GAP_MIN_S and sample.phase == last.phase:
                return
            if last.count >= SAMPLES_PER_FILL_MAX:
                self._over += 1
                return
            last.t_s, last.phase, last.count = sample.t_s, sample.phase, last.count + 1
        self._put(Lane.SAMPLE, sample)

    def input(self, fill: str, at_s: float, kind: str, payload: str) -> None:
        """Record an input of the core during a fill that was begun. They are numbered here, so
        that one that is lost shows; past a bound per fill they end, which is told once.
        """
        if self._thread is None:
            return
        row = self._inputs.add(fill, at_s, kind, payload)
        if row is not None:
            self._put(Lane.INPUT if isinstance(row, InputChunk) else Lane.EVENT, row)

    def end_fill(self, end: FillEnd) -> None:
        """Record how a fill ended; its temperatures are summed up from its samples."""
        self._thinned.pop(end.fill, None)
        self._put(Lane.KEPT, end)

    def alarm(self, mark: AlarmMark) -> None:
        """Record that an alarm was raised, changed its words, or cleared."""
        self._put(Lane.KEPT, mark)

    def event(self, mark: EventMark) -> None:
        """Record anything else. Its `data` must not be changed afterwards."""
        self._put(Lane.EVENT, mark)

    def note(self, mark: NoteMark) -> None:
        """Record what a person has done or proven."""
        self._put(Lane.KEPT, mark)

    def wall(self) -> datetime:
        """Return the wall time, as the rows are stamped with."""
        return self._wall()

    def open_fills(self, station: str, timeout_s: float = CLOSE_S) -> tuple[FillRecord, ...] | None:
        """Return a station's fills without an outcome, oldest first: after a restart, the
        interrupted ones. Waits for the writer thread; None when it does not answer in time.
        """
        if self._thread is None:
            return ()
        return self._ask(lambda store: store.open_fills(station), timeout_s)

    def facts(
        self, station: str, simulated: bool, now_s: float, timeout_s: float = CLOSE_S
    ) -> Facts | None:
        """Return a station's upkeep, its moments as engine seconds where `now_s` is now. Waits for
        the writer thread; None when it does not answer in time.
        """
        if self._thread is None:
            return Facts()
        wall = self._wall()
        return self._ask(lambda store: store.facts(station, simulated, wall, now_s), timeout_s)

    def priors(self, station: str, simulated: bool, timeout_s: float = CLOSE_S) -> Priors | None:
        """Return what a station's last fills teach. Waits for the writer thread; None when it does
        not answer in time.
        """
        if self._thread is None:
            return Priors()
        return self._ask(lambda store: store.priors(station, simulated), timeout_s)

    def flush(self, timeout_s: float = CLOSE_S) -> bool:
        """Wait until all rows handed over so far are committed. False when time ran out."""
        if self._thread is None:
            return True
        return self._ask(lambda _store: True, timeout_s) is not None

    def _ask(self, question: Callable[[Store], Answer], timeout_s: float) -> Answer | None:
        self._put_inputs()
        ask = _Ask(question)
        self._inbox.put(Lane.KEPT, ask)
        ask.done.wait(timeout_s)
        return ask.answer

    def close(self, timeout_s: float = CLOSE_S) -> bool:
        """Write what waits and stop. False when time ran out first; the rest is then lost."""
        if self._thread is None:
            return True
        self._put_inputs()
        self._inbox.close()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self.health.waiting

    async def aclose(self, timeout_s: float = CLOSE_S) -> bool:
        """Do as `close` does, without blocking the event loop."""
        return await asyncio.to_thread(self.close, timeout_s)

    def _put(self, lane: Lane, row: Row) -> None:
        if self._thread is not None:
            if lane in {Lane.EVENT, Lane.KEPT}:
                self._put_inputs()  # what came before it must be in the record before it
            self._inbox.put(lane, Stamped(row, self._wall()))

    def _put_inputs(self) -> None:
        """Hand over the inputs that wait for their chunk to fill."""
        for chunk in self._inputs.take():
            self._inbox.put(Lane.INPUT, Stamped(chunk, self._wall()))

    def _dropped(self) -> int:
        return self._over + sum(self._inbox.dropped(lane) for lane in Lane)

    def _run(self) -> None:
        """Write batches until closed; a batch that failed is tried again before the next."""
        pause_s = 0.0
        opened = last_try = False
        while True:
            if opened and not self._pending:
                self._pending = self._inbox.take(COMMIT_EVERY_S)
                if not self._pending:
                    break
            try:
                self._write_pending()
            except Exception as error:  # noqa: BLE001 - whatever it is, the next try may do
                if last_try:
                    break
                pause_s = min(max(PAUSE_FIRST_S, pause_s + pause_s), PAUSE_MAX_S)
                moved = self._fail(error)
                last_try = self._inbox.rest(0.0 if moved else pause_s)
            else:
                pause_s = 0.0
                opened = True
        self._store.close()

    def _write_pending(self) -> None:
        rows = [item for item in self._pending if isinstance(item, Stamped)]
        safe = any(not isinstance(item.row, FillSample | InputChunk) for item in rows)
        lost = self._dropped() - self._told_lost
        if lost:
            self._store.note(f"{lost} rows were lost for want of room while writing failed.")
        refused = self._store.write(rows, safe=safe)
        self._told_lost += lost
        self._written += len(rows) - len(refused)
        self._refused += len(refused)
        asks = [item for item in self._pending if isinstance(item, _Ask)]
        self._pending = []
        for ask in asks:
            ask.settle(self._store)
        self._succeed(refused)

    def _fail(self, error: Exception) -> bool:
        """Say what is wrong, and return whether a damaged file was moved out of the way."""
        self._store.close()
        if is_damage(error):
            try:
                aside = self._store.move_aside()
            except OSError as trouble:
                self._say(False, f"The record {self._path} is damaged and in the way: {trouble}.")
                return False
            self._past = f"It was found damaged ({error}); the old file is {aside.name}."
            self._store.note(self._past)
            self._say(False, f"The record {self._path} is begun anew. {self._past}")
            return True
        self._say(False, f"The record {self._path} cannot be written: {_reason(error)}.")
        return False

    def _succeed(self, refused: list[str]) -> None:
        if refused:
            self._past = f"{self._refused} rows were refused, the last: {refused[-1]}."
        lost = self._dropped()
        facts = [f"The record {self._path} is being written.", self._past]
        if lost:
            facts.append(f"{lost} rows were lost earlier for want of room.")
        self._say(True, " ".join(fact for fact in facts if fact))

    def _say(self, ok: bool, text: str) -> None:
        changed = text != self._text
        self._ok, self._text = ok, text
        if changed and self._tell is not None:
            try:
                self._tell(self.health)
            except Exception:  # noqa: BLE001 - the listener's trouble must not stop the record
                self._tell = None


def _reason(error: Exception) -> str:
    """Return what a person can do about an error, and what it was."""
    if isinstance(error, JournalError):
        return str(error).rstrip(".")
    code = getattr(error, "sqlite_errorcode", None)
    # The low byte is the primary code of SQLite's extended result codes.
    known = _REASONS.get(code & 0xFF) if isinstance(code, int) else None
    return f"{known} ({error})" if known else f"{type(error).__name__}: {error}"
