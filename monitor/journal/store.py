"""The record's file, seen from its writer thread: rows in, one transaction per batch."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

from monitor.core.facts import Facts
from monitor.core.priors import Priors
from monitor.journal import recall, rows, schema
from monitor.journal.bounds import prune
from monitor.journal.inputs import packed
from monitor.journal.reader import fill_record
from monitor.journal.rows import (
    DATA_CHARS,
    ID_CHARS,
    MS_PER_S,
    NAME_CHARS,
    TEXT_CHARS,
    AlarmMark,
    CalibrationMark,
    EventMark,
    FillEnd,
    FillRecord,
    FillSample,
    FillStart,
    InputChunk,
    NoteMark,
    clean_text,
    wall_text,
)
from monitor.journal.summary import Point, summarise

ASIDE_MAX = 5  # damaged files kept beside the record before a person must look
FILLS_MAX = 64  # fills of one engine that are remembered

_INSERT_START = """
    INSERT INTO fill (
        id, station, started, started_at_s, started_by, attended, simulated, need_l, forecast_s,
        forecast_low_s, forecast_high_s, level_start_m, mark_m, band_low_c, band_high_c, note,
        way, drained_l, pulses_per_litre, flow_uncertainty)
    VALUES (
        :id, :station, :started, :started_at_s, :started_by, :attended, :simulated, :need_l,
        :forecast_s, :forecast_low_s, :forecast_high_s, :level_start_m, :mark_m, :band_low_c,
        :band_high_c, :note, :way, :drained_l, :pulses_per_litre, :flow_uncertainty)
    ON CONFLICT (id) DO NOTHING"""
_END_FILL = """
    UPDATE fill SET ended = ?, fill_s = ?, outcome = ?, cause = ?, delivered_l = ?,
        level_end_m = ?, temp_min_c = ?, temp_mean_c = ?, temp_max_c = ?, temp_n = ?,
        out_of_band_s = ?, forecast_s = coalesce(?, forecast_s),
        forecast_low_s = coalesce(?, forecast_low_s),
        forecast_high_s = coalesce(?, forecast_high_s),
        start_flow_lpm = coalesce(?, start_flow_lpm), overrun_l = coalesce(?, overrun_l), note = ?
    WHERE seq = ?"""
_CLEAR_ALARM = "UPDATE alarm SET cleared = ? WHERE station = ? AND rule = ? AND cleared IS NULL"
_REWORD_ALARM = (
    "UPDATE alarm SET severity = ?, text = ? WHERE station = ? AND rule = ? AND cleared IS NULL"
)
_INSERT_NOTE = """
    INSERT INTO note (station, what, part, "by", wall, simulated, after_fill, text)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6,
        (SELECT coalesce(max(seq), 0) FROM fill WHERE station = ?1 AND outcome IS NOT NULL), ?7)"""

_INSERT_CALIBRATION = """
    INSERT INTO calibration (
        station, part, what, "by", value, scale, uncertainty, n, basis, wall, simulated, text)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""

Value = TypeVar("Value")
Row = (
    FillStart
    | FillSample
    | InputChunk
    | FillEnd
    | AlarmMark
    | EventMark
    | NoteMark
    | CalibrationMark
)


class RefusedRowError(ValueError):
    """A row that cannot stand in the record."""


# What a row can do wrong by itself; anything else is the file's fault.
ROW_FAULTS = (
    ValueError,  # UnicodeEncodeError and RefusedRowError among them
    TypeError,
    OverflowError,
    AttributeError,
    RuntimeError,  # a mapping changed while it was read, or nested without end
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
    sqlite3.DataError,
)


@dataclass(frozen=True, slots=True)
class Stamped:
    """A row with the wall time at which the engine handed it over."""

    row: Row
    wall: datetime


class Store:
    """Writes batches to the file, all or nothing. For one thread; raises when it cannot."""

    def __init__(self, path: Path, wall: Callable[[], datetime]) -> None:
        """Remember where the record is; the first `write` opens it."""
        self._path = path
        self._wall = wall
        self._link: sqlite3.Connection | None = None
        self._inode = (0, 0)
        self._seqs: dict[str, int] = {}
        self._running: dict[str, Stamped] = {}
        self._ended: dict[str, None] = {}
        self._refused: dict[str, None] = {}
        self.notes: list[str] = []  # what the record itself should say about itself, bounded

    def write(self, batch: Sequence[Stamped], *, safe: bool) -> list[str]:
        """Commit a batch and return why any of its rows were refused (the others are in).

        `safe` waits until the disk has it, so that a power cut cannot take it back; without it
        only a power cut can. Raises sqlite3.Error, OSError or JournalError; then nothing of the
        batch is in, and it may be given again.
        """
        link = self._opened()
        link.execute(f"PRAGMA synchronous = {'FULL' if safe else 'NORMAL'}")
        link.execute("BEGIN IMMEDIATE")
        refused: list[str] = []
        written: list[Stamped] = []
        for stamped in batch:
            try:
                self._put(link, stamped)
                written.append(stamped)
            except ROW_FAULTS as error:
                refused.append(f"{type(stamped.row).__name__}: {error}"[:TEXT_CHARS])
        for note in self.notes:
            mark = EventMark(station="", kind="journal", text=note, at_s=math.nan)
            _put_event(link, mark, wall_text(self._wall()))
        if any(isinstance(stamped.row, FillEnd) for stamped in written):
            prune(link)
        link.execute("COMMIT")
        self.notes.clear()
        for stamped in written:
            self._remember(stamped)
        return refused

    def open_fills(self, station: str) -> tuple[FillRecord, ...]:
        """Return the fills of a station that have no outcome, oldest first."""
        found = self._opened().execute(
            "SELECT * FROM fill WHERE station = ? AND outcome IS NULL ORDER BY seq",
            (station,),
        )
        return tuple(fill_record(row) for row in found)

    def facts(self, station: str, simulated: bool, wall: datetime, now_s: float) -> Facts:
        """Return what the record knows of a station's upkeep."""
        return recall.facts(self._opened(), station, simulated, wall, now_s)

    def priors(self, station: str, simulated: bool) -> Priors:
        """Return what a station's last fills teach."""
        return recall.priors(self._opened(), station, simulated)

    def note(self, text: str) -> None:
        """Have the record say something about itself with the next batch (a few at most)."""
        if len(self.notes) < ASIDE_MAX:
            self.notes.append(clean_text(text, TEXT_CHARS))

    def close(self) -> None:
        """Let go of the file; the next `write` opens it again."""
        link, self._link = self._link, None
        self._seqs.clear()
        if link is not None:
            try:
                link.close()
            except sqlite3.Error:
                # Nothing of ours is lost by it: what was committed is in the file.
                return

    def move_aside(self) -> Path:
        """Rename a damaged file, its write log with it, and return its new name.

        Raises OSError when it cannot be renamed or when too many lie there already.
        """
        self.close()
        stamp = self._wall().strftime("%Y%m%dT%H%M%SZ")
        taken = sorted(self._path.parent.glob(f"{self._path.name}.corrupt-*"))
        if len([name for name in taken if not name.name.endswith(("-wal", "-shm"))]) >= ASIDE_MAX:
            raise OSError(
                f"{ASIDE_MAX} damaged records lie beside {self._path} already; the disk may be "
                "failing. Check it, then delete or move them"
            )
        aside = self._path.with_name(f"{self._path.name}.corrupt-{stamp}")
        turn = 1
        while aside.exists():
            turn += 1
            aside = self._path.with_name(f"{self._path.name}.corrupt-{stamp}-{turn}")
        # The log goes first: left behind, it would be taken for the new record's.
        for ending in ("-wal", "-shm"):
            part = self._path.with_name(self._path.name + ending)
            if part.exists():
                part.rename(aside.with_name(aside.name + ending))
        self._path.rename(aside)
        return aside

    def _opened(self) -> sqlite3.Connection:
        """Return the connection, opened anew when the file was moved or deleted under us."""
        if self._link is not None and self._inode != _inode(self._path):
            self.close()
            self.note("The record's file was moved or deleted while in use; a new one was begun.")
        if self._link is None:
            link = schema.open_for_writing(self._path, self._wall())
            link.row_factory = sqlite3.Row
            self._link, self._inode = link, _inode(self._path)
            self._carry_over(link)
        if self._link.in_transaction:
            self._link.execute("ROLLBACK")
            self._seqs.clear()
        return self._link

    def _carry_over(self, link: sqlite3.Connection) -> None:
        """Give a new file the starts of the fills that run, so that they go on in it."""
        for stamped in self._running.values():
            if isinstance(stamped.row, FillStart):
                _insert_start(link, stamped.row, wall_text(stamped.wall))

    def _remember(self, stamped: Stamped) -> None:
        match stamped.row:
            case FillStart(id=fill):
                _add(self._running, fill, stamped)
            case FillEnd(fill=fill):
                self._running.pop(fill, None)
                self._seqs.pop(fill, None)
                _add(self._ended, fill, None)

    def _put(self, link: sqlite3.Connection, stamped: Stamped) -> None:
        match stamped.row:
            case FillSample() as sample:
                self._put_sample(link, sample)
            case InputChunk() as inputs:
                self._put_inputs(link, inputs)
            case FillStart() as start:
                self._put_start(link, start, wall_text(stamped.wall))
            case FillEnd() as end:
                self._put_end(link, end, wall_text(stamped.wall))
            case AlarmMark() as alarm:
                _put_alarm(link, alarm, wall_text(stamped.wall))
            case EventMark() as event:
                _put_event(link, event, wall_text(stamped.wall))
            case NoteMark() as note:
                _put_note(link, note, wall_text(stamped.wall))
            case CalibrationMark() as mark:
                _put_calibration(link, mark, wall_text(stamped.wall))

    def _put_start(self, link: sqlite3.Connection, start: FillStart, wall: str) -> None:
        if _insert_start(link, start, wall):
            return
        there = link.execute(
            "SELECT 1 FROM fill WHERE id = ? AND started = ? AND outcome IS NULL", (start.id, wall)
        ).fetchone()
        # The very same start is one whose commit was reported as failed and yet was in.
        if there is not None:
            return
        _add(self._refused, start.id, None)
        raise RefusedRowError(f"a fill {start.id!r} is in the record already; it was left alone")

    def _seq(self, link: sqlite3.Connection, fill: str) -> int:
        if fill in self._refused:
            raise RefusedRowError(f"the fill {fill!r} was refused at its start")
        seq = self._seqs.get(fill)
        if seq is None:
            found = link.execute("SELECT seq FROM fill WHERE id = ?", (fill,)).fetchone()
            if found is None:
                raise RefusedRowError(f"no fill {fill!r} was begun")
            seq = int(found["seq"])
            _add(self._seqs, fill, seq)
        return seq

    def _put_sample(self, link: sqlite3.Connection, sample: FillSample) -> None:
        link.execute(
            "INSERT INTO fill_sample (fill, t_ms, temp_c, flow_lpm, volume_l, phase, level_m, "
            "tank_c) VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (
                self._seq(link, sample.fill),
                round(sample.t_s * MS_PER_S),
                known(sample.temp_c),
                known(sample.flow_lpm),
                known(sample.volume_l),
                clean_text(sample.phase, NAME_CHARS),
                known(sample.level_m),
                known(sample.tank_c),
            ),
        )

    def _put_inputs(self, link: sqlite3.Connection, inputs: InputChunk) -> None:
        values = (self._seq(link, inputs.fill), inputs.inputs[0].n, packed(inputs.inputs))
        done = link.execute(
            "INSERT INTO fill_input (fill, n, chunk) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            values,
        )
        if done.rowcount == 0:
            there = link.execute(
                "SELECT chunk FROM fill_input WHERE fill = ? AND n = ?", values[:2]
            ).fetchone()
            # The very same ones are of a batch whose commit was reported as failed and yet was in.
            if there["chunk"] != values[2]:
                raise RefusedRowError(f"the fill {inputs.fill!r} has other inputs there already")

    def _put_end(self, link: sqlite3.Connection, end: FillEnd, wall: str) -> None:
        """Close a fill and sum up its temperatures from the samples that are in the record."""
        seq = self._seq(link, end.fill)
        fill = link.execute("SELECT * FROM fill WHERE seq = ?", (seq,)).fetchone()
        if fill["outcome"] is not None and end.fill not in self._ended:
            raise RefusedRowError(f"the fill {end.fill!r} ended before this run")
        found = link.execute(
            "SELECT t_ms, temp_c, flow_lpm, volume_l, phase FROM fill_sample WHERE fill = ? "
            "ORDER BY t_ms",
            (seq,),
        ).fetchall()
        points = [
            Point(row["t_ms"] / MS_PER_S, row["temp_c"], row["flow_lpm"], row["phase"])
            for row in found
        ]
        summary = summarise(points, fill["band_low_c"], fill["band_high_c"])
        fill_s, ended = known(end.fill_s), wall
        if fill_s is None:
            fill_s = points[-1].t_s if points else 0.0
            ended = wall_text(rows.wall_time(fill["started"]) + timedelta(seconds=fill_s))
        volumes = [row["volume_l"] for row in found if row["volume_l"] is not None]
        delivered = known(end.delivered_l)
        if delivered is None and volumes:
            delivered = volumes[-1]
        link.execute(
            _END_FILL,
            (
                fill["ended"] or ended,
                fill_s,
                str(end.outcome),
                clean_text(end.cause, TEXT_CHARS),
                delivered,
                known(end.level_m),
                summary.min_c,
                summary.mean_c,
                summary.max_c,
                summary.n,
                summary.out_of_band_s,
                known(end.forecast_s),
                known(end.forecast_low_s),
                known(end.forecast_high_s),
                known(end.start_flow_lpm),
                known(end.overrun_l),
                clean_text(_joined(fill["note"], end.note), TEXT_CHARS),
                seq,
            ),
        )


def _insert_start(link: sqlite3.Connection, start: FillStart, wall: str) -> bool:
    """Insert a fill's start; False when its id is in the record already."""
    if not start.id or start.id != clean_text(start.id, ID_CHARS):
        raise RefusedRowError(f"a fill id is 1 to {ID_CHARS} printable characters: {start.id!r}")
    columns: dict[str, object] = {
        "id": start.id,
        "station": clean_text(start.station, NAME_CHARS),
        "started": wall,
        "started_at_s": known(start.at_s),
        "started_by": clean_text(start.started_by, NAME_CHARS),
        "attended": bool(start.attended),
        "simulated": bool(start.simulated),
        "need_l": known(start.need_l),
        "forecast_s": known(start.forecast_s),
        "forecast_low_s": known(start.forecast_low_s),
        "forecast_high_s": known(start.forecast_high_s),
        "level_start_m": known(start.level_m),
        "mark_m": known(start.mark_m),
        "band_low_c": known(start.band_low_c),
        "band_high_c": known(start.band_high_c),
        "note": clean_text(start.note, TEXT_CHARS),
        "way": start.way.value,
        "drained_l": known(start.drained_l),
        "pulses_per_litre": known(start.pulses_per_litre),
        "flow_uncertainty": known(start.flow_uncertainty),
    }
    done = link.execute(_INSERT_START, columns)
    return done.rowcount == 1


def _put_alarm(link: sqlite3.Connection, mark: AlarmMark, wall: str) -> None:
    """Raise, reword or clear the alarm of this rule at this station."""
    station = clean_text(mark.station, NAME_CHARS)
    rule = clean_text(mark.rule, NAME_CHARS)
    if not mark.active:
        link.execute(_CLEAR_ALARM, (wall, station, rule))
        return
    severity, text = clean_text(mark.severity, NAME_CHARS), clean_text(mark.text, TEXT_CHARS)
    reworded = link.execute(_REWORD_ALARM, (severity, text, station, rule))
    if reworded.rowcount == 0:
        link.execute(
            "INSERT INTO alarm (station, fill, rule, severity, raised, raised_at_s, text) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                station,
                None if mark.fill is None else clean_text(mark.fill, ID_CHARS),
                rule,
                severity,
                wall,
                known(mark.at_s),
                text,
            ),
        )


def _put_event(link: sqlite3.Connection, event: EventMark, wall: str) -> None:
    link.execute(
        "INSERT INTO event (station, fill, at_s, wall, kind, text, data) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            clean_text(event.station, NAME_CHARS),
            None if event.fill is None else clean_text(event.fill, ID_CHARS),
            known(event.at_s),
            wall,
            clean_text(event.kind, NAME_CHARS),
            clean_text(event.text, TEXT_CHARS),
            "" if event.data is None else json_text(event.data),
        ),
    )


def _put_note(link: sqlite3.Connection, note: NoteMark, wall: str) -> None:
    names = (clean_text(text, NAME_CHARS) for text in (note.station, note.what, note.part, note.by))
    text = clean_text(note.text, TEXT_CHARS)
    link.execute(_INSERT_NOTE, (*names, wall, bool(note.simulated), text))


def _put_calibration(link: sqlite3.Connection, mark: CalibrationMark, wall: str) -> None:
    names = (clean_text(text, NAME_CHARS) for text in (mark.station, mark.part, mark.what, mark.by))
    numbers = (known(mark.value), known(mark.scale), known(mark.uncertainty))
    texts = clean_text(mark.basis, TEXT_CHARS), wall, bool(mark.simulated)
    link.execute(
        _INSERT_CALIBRATION, (*names, *numbers, mark.n, *texts, clean_text(mark.text, TEXT_CHARS))
    )


def known(value: float | None) -> float | None:
    """Return a number as the record keeps it: what is not finite is not known."""
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def json_text(data: Mapping[str, object]) -> str:
    """Return bounded, strict JSON. What is too long, or has no JSON, is cut text under "cut"."""
    try:
        text = json.dumps(data, default=str, separators=(",", ":"), allow_nan=False)
    except ValueError:  # NaN, infinity, or a loop: its Python text still says what it was
        text = json.dumps(repr(data))
    else:
        if len(text) <= DATA_CHARS:
            return text
    # Escaping at most doubles ASCII text; the wrapping takes the rest.
    return json.dumps({"cut": text[: DATA_CHARS // 2 - len('{"cut": ""}')]})


def _joined(before: str, more: str) -> str:
    """Return two notes as one, without saying the same twice."""
    if not more or before.endswith(more):
        return before
    return f"{before}; {more}" if before else more


def _add(table: dict[str, Value], fill: str, value: Value) -> None:
    """Remember something of a fill, in bounded room: the oldest makes way."""
    if len(table) >= FILLS_MAX and fill not in table:
        del table[next(iter(table))]
    table[fill] = value


def _inode(path: Path) -> tuple[int, int]:
    try:
        stat = path.stat()
    except OSError:
        return (0, 0)
    return (stat.st_dev, stat.st_ino)
