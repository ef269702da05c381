"""How the record's file is held to its bounds."""

from __future__ import annotations

import sqlite3

FILE_MAX_BYTES = 512 * 1024 * 1024  # some 20 years of weekly fills; then the oldest samples go
LIST_MAX_ROWS = 100_000  # alarms, events, notes, calibrations and fills kept each
INPUT_FILLS_MAX = 20  # the newest fills that can be played again
PRUNE_MAX_FILLS = 16  # fills whose inputs or samples go in one pass

_LISTS = (
    "DELETE FROM alarm WHERE id <= (SELECT max(id) FROM alarm) - ?",
    "DELETE FROM event WHERE id <= (SELECT max(id) FROM event) - ?",
    # The newest note of its kind stays: a new cartridge may be years old.
    """DELETE FROM note WHERE id <= (SELECT max(id) FROM note) - ?
        AND id NOT IN (SELECT max(id) FROM note GROUP BY station, what, simulated, part)""",
    """DELETE FROM calibration WHERE id <= (SELECT max(id) FROM calibration) - ?
        AND id NOT IN (SELECT max(id) FROM calibration GROUP BY station, simulated, part)""",
    "DELETE FROM fill_sample WHERE fill <= (SELECT max(seq) FROM fill) - ?",
    "DELETE FROM fill WHERE seq <= (SELECT max(seq) FROM fill) - ?",
)
_OLD_INPUTS = "DELETE FROM fill_input WHERE fill <= (SELECT max(seq) FROM fill) - ?"
# What goes first when room is short: a fill that cannot be played again is still a record.
_BULKY = (
    (
        "SELECT min(fill), max(fill) FROM fill_input",
        "DELETE FROM fill_input WHERE fill = ?",
    ),
    (
        "SELECT min(fill), max(fill) FROM fill_sample",
        "DELETE FROM fill_sample WHERE fill = ?",
    ),
)


def prune(link: sqlite3.Connection, max_bytes: int = FILE_MAX_BYTES) -> None:
    """Hold the file to its bounds: the oldest inputs and samples go first, then list rows.

    A fill's own row, with its summary, outlives its samples, and the newest fill keeps all. Freed
    pages are used again, so the file stops growing rather than shrinks.
    """
    link.execute(_OLD_INPUTS, (min(INPUT_FILLS_MAX, LIST_MAX_ROWS),))
    for statement in _LISTS:
        link.execute(statement, (LIST_MAX_ROWS,))
    for ends, delete in _BULKY:
        for _ in range(PRUNE_MAX_FILLS):
            if _used_bytes(link) <= max_bytes:
                return
            (oldest, newest) = link.execute(ends).fetchone()
            if oldest is None or oldest == newest:
                break
            link.execute(delete, (oldest,))


def _used_bytes(link: sqlite3.Connection) -> int:
    pages, free, size = (
        int(link.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size
