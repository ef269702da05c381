"""Reading the record: read-only, at any time, also while the engine writes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.core.exchange import Way
from monitor.errors import BrimwatchError, ExitCode
from monitor.journal import schema
from monitor.journal.inputs import unpacked
from monitor.journal.rows import (
    MS_PER_S,
    AlarmRecord,
    CalibrationRecord,
    EventRecord,
    FillRecord,
    FillSample,
    InputRecord,
    NoteRecord,
    Outcome,
    wall_time,
)

LIST_MAX = 10_000
LAST = "last"
CANDIDATES_MAX = 5


class UnknownFillError(BrimwatchError, LookupError):
    """No fill, or more than one, answers to the name given."""

    exit_code = ExitCode.USAGE


class JournalReader:
    """An open record. Use it as a context manager, in the thread that made it."""

    def __init__(self, path: Path | str) -> None:
        """Open the record. Raises JournalError with the reason when that cannot be done."""
        self._path = Path(path)
        self._link = schema.open_for_reading(self._path)
        self._link.row_factory = sqlite3.Row

    def __enter__(self) -> Self:
        """Return the reader itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of the file."""
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._link.close()

    def list_fills(self, limit: int = 20, station: str | None = None) -> tuple[FillRecord, ...]:
        """Return the newest fills, newest first, of one station or of all."""
        found = self._select(
            "SELECT * FROM fill WHERE ?1 IS NULL OR station = ?1 ORDER BY seq DESC LIMIT ?2",
            (station, _limit(limit)),
        )
        return tuple(fill_record(row) for row in found)

    def fill(self, name: str) -> FillRecord:
        """Return one fill by its id, by a beginning of it that fits no other, or by 'last'.

        Raises UnknownFillError (a LookupError) saying what there is instead.
        """
        if name == LAST:
            newest = self.list_fills(1)
            if not newest:
                raise UnknownFillError("the record holds no fill yet", where=str(self._path))
            return newest[0]
        found = self._select(
            "SELECT * FROM fill WHERE substr(id, 1, length(?1)) = ?1 "
            "ORDER BY id <> ?1, seq DESC LIMIT ?2",
            (name, CANDIDATES_MAX + 1),
        )
        if name and found and (len(found) == 1 or found[0]["id"] == name):
            return fill_record(found[0])
        if not name or not found:
            raise UnknownFillError(
                f"there is no fill {name!r}",
                where=str(self._path),
                allowed=f"an id from the history, the beginning of one, or '{LAST}'",
            )
        some = ", ".join(row["id"] for row in found[:CANDIDATES_MAX])
        more = " and more" if len(found) > CANDIDATES_MAX else ""
        raise UnknownFillError(
            f"{name!r} is the beginning of several fills: {some}{more}",
            where=str(self._path),
            fix="give more of the id",
        )

    def samples(self, fill: str) -> tuple[FillSample, ...]:
        """Return a fill's samples in order of time. `fill` is the whole id."""
        found = self._select(
            "SELECT t_ms, temp_c, flow_lpm, volume_l, phase, level_m, tank_c FROM fill_sample "
            "WHERE fill = (SELECT seq FROM fill WHERE id = ?) ORDER BY t_ms",
            (fill,),
        )
        return tuple(
            FillSample(
                fill=fill,
                t_s=row["t_ms"] / MS_PER_S,
                temp_c=row["temp_c"],
                flow_lpm=row["flow_lpm"],
                volume_l=row["volume_l"],
                phase=row["phase"],
                level_m=row["level_m"],
                tank_c=row["tank_c"],
            )
            for row in found
        )

    def inputs(self, fill: str) -> tuple[InputRecord, ...]:
        """Return the inputs of a fill in order. `fill` is the whole id; where a number `n` is
        missing an input was lost, and what follows cannot be played again.
        """
        found = self._select(
            "SELECT chunk FROM fill_input WHERE fill = (SELECT seq FROM fill WHERE id = ?) "
            "ORDER BY n",
            (fill,),
        )
        try:
            return tuple(one for row in found for one in unpacked(row["chunk"]))
        except ValueError as error:
            raise schema.DamagedRecordError(str(error), where=str(self._path)) from error

    def notes(
        self, *, what: str | None = None, station: str | None = None, limit: int = 100
    ) -> tuple[NoteRecord, ...]:
        """Return the newest notes, newest first: of one kind or all, of one station or all."""
        found = self._select(
            "SELECT * FROM note WHERE (?1 IS NULL OR what = ?1) "
            "AND (?2 IS NULL OR station = ?2) ORDER BY id DESC LIMIT ?3",
            (what, station, _limit(limit)),
        )
        return tuple(note_record(row) for row in found)

    def calibrations(self, station: str, simulated: bool) -> tuple[CalibrationRecord, ...]:
        """Return the newest calibration of each part of a station, by part: simulated or real
        ones, never both.
        """
        found = self._select(
            "SELECT * FROM calibration WHERE id IN (SELECT max(id) FROM calibration "
            "WHERE station = ? AND simulated = ? GROUP BY part) ORDER BY part LIMIT ?",
            (station, simulated, LIST_MAX),
        )
        return tuple(calibration_record(row) for row in found)

    def alarms(
        self, *, fill: str | None = None, station: str | None = None, limit: int = 100
    ) -> tuple[AlarmRecord, ...]:
        """Return the newest alarms, newest first, of one fill, one station or all."""
        found = self._select(
            "SELECT * FROM alarm WHERE (?1 IS NULL OR fill = ?1) "
            "AND (?2 IS NULL OR station = ?2) ORDER BY id DESC LIMIT ?3",
            (fill, station, _limit(limit)),
        )
        return tuple(alarm_record(row) for row in found)

    def events(
        self, *, fill: str | None = None, station: str | None = None, limit: int = 100
    ) -> tuple[EventRecord, ...]:
        """Return the newest events, newest first, of one fill, one station or all."""
        found = self._select(
            "SELECT * FROM event WHERE (?1 IS NULL OR fill = ?1) "
            "AND (?2 IS NULL OR station = ?2) ORDER BY id DESC LIMIT ?3",
            (fill, station, _limit(limit)),
        )
        return tuple(event_record(row) for row in found)

    def _select(self, query: str, values: Iterable[object]) -> list[sqlite3.Row]:
        try:
            return self._link.execute(query, tuple(values)).fetchall()
        except sqlite3.Error as error:
            raise schema.reading_error(self._path, error) from error


def _limit(limit: int) -> int:
    return min(max(limit, 0), LIST_MAX)


def _time(text: str | None) -> datetime | None:
    return None if text is None else wall_time(text)


def fill_record(row: sqlite3.Row) -> FillRecord:
    """Return a row of the fill table as a value."""
    changed = {
        "started": wall_time(row["started"]),
        "ended": _time(row["ended"]),
        "attended": bool(row["attended"]),
        "simulated": bool(row["simulated"]),
        "outcome": None if row["outcome"] is None else Outcome(row["outcome"]),
        "way": Way(row["way"]),
    }
    return FillRecord(**_columns(row, FillRecord) | changed)


def alarm_record(row: sqlite3.Row) -> AlarmRecord:
    """Return a row of the alarm table as a value."""
    changed = {"raised": wall_time(row["raised"]), "cleared": _time(row["cleared"])}
    return AlarmRecord(**_columns(row, AlarmRecord) | changed)


def event_record(row: sqlite3.Row) -> EventRecord:
    """Return a row of the event table as a value."""
    return EventRecord(**_columns(row, EventRecord) | {"wall": wall_time(row["wall"])})


def note_record(row: sqlite3.Row) -> NoteRecord:
    """Return a row of the note table as a value."""
    changed = {"wall": wall_time(row["wall"]), "simulated": bool(row["simulated"])}
    return NoteRecord(**_columns(row, NoteRecord) | changed)


def calibration_record(row: sqlite3.Row) -> CalibrationRecord:
    """Return a row of the calibration table as a value."""
    changed = {"wall": wall_time(row["wall"]), "simulated": bool(row["simulated"])}
    return CalibrationRecord(**_columns(row, CalibrationRecord) | changed)


def _columns(
    row: sqlite3.Row,
    kind: type[FillRecord | AlarmRecord | EventRecord | NoteRecord | CalibrationRecord],
) -> dict[str, Any]:
    """Return the columns of a row that have a field of the same name."""
    return {field.name: row[field.name] for field in fields(kind)}
