"""Calibrations in the record: put in by a command, read by the engine when it starts.

The command writes beside a running engine, which SQLite allows; it waits for its turn for at most
`schema.BUSY_MS`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from monitor.journal.reader import JournalReader
from monitor.journal.recall import CLOCK_FLOOR, clock_is_set
from monitor.journal.rows import CalibrationMark, CalibrationRecord
from monitor.journal.schema import JournalError
from monitor.journal.store import Stamped, Store


def keep(path: Path, mark: CalibrationMark, wall: Callable[[], datetime]) -> None:
    """Put a calibration into an existing record, safe on the disk when this returns.

    Raises:
        JournalError: there is no record, it cannot be written, or the clock was never set, so that
            the calibration would have no date.
    """
    now = wall()
    if not clock_is_set(now):
        raise JournalError(
            f"the clock was never set: it says {now:%Y-%m-%d}",
            allowed=f"a date from {CLOCK_FLOOR.year} on: a calibration has one",
            fix="connect this machine to the network, or set its clock",
        )
    if not path.is_file():
        raise JournalError(
            "there is no record here to keep the calibration in",
            where=str(path),
            fix="run this on the engine's machine, after the engine was started once",
        )
    store = Store(path, wall)
    try:
        refused = store.write([Stamped(mark, now)], safe=True)
    except sqlite3.Error as error:
        raise JournalError(
            f"the record cannot be written ({error})",
            where=str(path),
            fix="run this as the user that the engine runs as, and see that the disk has room",
        ) from error
    finally:
        store.close()
    if refused:
        raise JournalError(f"the record refused it ({refused[0]})", where=str(path))


def found(path: Path | None, station: str, simulated: bool) -> tuple[CalibrationRecord, ...]:
    """Return a station's newest calibrations; none when there is no record that can be read.

    What the record itself suffers from, the engine's own hand on it tells.
    """
    if path is None:
        return ()
    try:
        with JournalReader(path) as reader:
            return reader.calibrations(station, simulated)
    except (JournalError, OSError):
        return ()
