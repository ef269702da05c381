"""The record's tables, their versions, and how its file is opened.

A record is known by its SQLite application id, so a path that points at somebody else's database
is refused and left alone. Its version is the highest row of `meta`; an older record is migrated
step by step, each step in one transaction; a newer one is refused and left alone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from monitor.errors import BrimwatchError
from monitor.journal.rows import wall_text

APPLICATION_ID = 0x6272696D  # "brim"
BUSY_MS = 1000
WAL_KEPT_BYTES = 4 * 1024 * 1024

# Fills go by a short integer inside, since every sample repeats it; `id` is what people see.
_FILLS = (
    """CREATE TABLE fill (
        seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, station TEXT NOT NULL,
        started TEXT NOT NULL, started_at_s REAL, started_by TEXT NOT NULL,
        attended INTEGER NOT NULL, simulated INTEGER NOT NULL,
        need_l REAL, forecast_s REAL, forecast_low_s REAL, forecast_high_s REAL,
        level_start_m REAL, level_end_m REAL, mark_m REAL, band_low_c REAL, band_high_c REAL,
        ended TEXT, fill_s REAL,
        outcome TEXT CHECK (outcome IN ('done', 'stopped', 'interrupted')),
        cause TEXT NOT NULL DEFAULT '', delivered_l REAL,
        temp_min_c REAL, temp_mean_c REAL, temp_max_c REAL, temp_n INTEGER NOT NULL DEFAULT 0,
        out_of_band_s REAL, note TEXT NOT NULL DEFAULT '')""",
    """CREATE TABLE fill_sample (
        fill INTEGER NOT NULL REFERENCES fill (seq), t_ms INTEGER NOT NULL,
        temp_c REAL, flow_lpm REAL, volume_l REAL, phase TEXT NOT NULL,
        PRIMARY KEY (fill, t_ms)) WITHOUT ROWID""",
    "CREATE INDEX fill_by_station ON fill (station, seq)",
)
_ALARMS = (
    """CREATE TABLE alarm (
        id INTEGER PRIMARY KEY, station TEXT NOT NULL, fill TEXT, rule TEXT NOT NULL,
        severity TEXT NOT NULL, raised TEXT NOT NULL, raised_at_s REAL, cleared TEXT,
        text TEXT NOT NULL)""",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY, station TEXT NOT NULL, fill TEXT, at_s REAL, wall TEXT NOT NULL,
        kind TEXT NOT NULL, text TEXT NOT NULL, data TEXT NOT NULL)""",
    # One alarm of a rule stands at a time; the file itself holds us to it.
    "CREATE UNIQUE INDEX alarm_open ON alarm (station, rule) WHERE cleared IS NULL",
    "CREATE INDEX alarm_by_fill ON alarm (fill)",
    "CREATE INDEX event_by_fill ON event (fill)",
)

_BOTH_WAYS = (
    "ALTER TABLE fill ADD COLUMN way TEXT NOT NULL DEFAULT 'in' CHECK (way IN ('in', 'out'))",
    "ALTER TABLE fill ADD COLUMN start_flow_lpm REAL",
    "ALTER TABLE fill ADD COLUMN overrun_l REAL",
    "ALTER TABLE fill ADD COLUMN drained_l REAL",
    "ALTER TABLE fill_sample ADD COLUMN level_m REAL",
    "ALTER TABLE fill_sample ADD COLUMN tank_c REAL",
    # `after_fill` is the station's last ended fill at that moment: litres since a note are told by
    # the order of things, whatever the clock said.
    """CREATE TABLE note (
        id INTEGER PRIMARY KEY, station TEXT NOT NULL, what TEXT NOT NULL, part TEXT NOT NULL,
        "by" TEXT NOT NULL, wall TEXT NOT NULL, simulated INTEGER NOT NULL,
        after_fill INTEGER NOT NULL, text TEXT NOT NULL)""",
    "CREATE INDEX note_by_what ON note (station, what, simulated, part)",
    """CREATE TABLE fill_input (
        fill INTEGER NOT NULL REFERENCES fill (seq), n INTEGER NOT NULL, chunk BLOB NOT NULL,
        UNIQUE (fill, n))""",
)

_CALIBRATED = (
    # What the litres of a fill were counted with, so that it can be played again.
    "ALTER TABLE fill ADD COLUMN pulses_per_litre REAL",
    "ALTER TABLE fill ADD COLUMN flow_uncertainty REAL",
    # `basis` is what of the config it was made for; with another one it means nothing.
    """CREATE TABLE calibration (
        id INTEGER PRIMARY KEY, station TEXT NOT NULL, part TEXT NOT NULL, what TEXT NOT NULL,
        value REAL NOT NULL, scale REAL NOT NULL, uncertainty REAL NOT NULL, n INTEGER NOT NULL,
        basis TEXT NOT NULL, "by" TEXT NOT NULL, wall TEXT NOT NULL, simulated INTEGER NOT NULL,
        text TEXT NOT NULL)""",
    "CREATE INDEX calibration_by_part ON calibration (station, simulated, part)",
)

Step = tuple[str, ...]
MIGRATIONS: tuple[Step, ...] = (_FILLS, _ALARMS, _BOTH_WAYS, _CALIBRATED)
SCHEMA_VERSION = len(MIGRATIONS)

DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


class JournalError(BrimwatchError, OSError):
    """The record's file cannot be used as asked."""


class NewerRecordError(JournalError):
    """The record was made by a later brimwatch."""


class OlderRecordError(JournalError):
    """The record must be migrated before it can be read."""


class ForeignFileError(JournalError):
    """The file is a database, but not a record of ours."""


class DamagedRecordError(JournalError):
    """The file is not a whole database."""


def is_damage(error: BaseException) -> bool:
    """Return whether an error means that the file itself is broken."""
    if isinstance(error, DamagedRecordError):
        return True
    # The low byte is the primary code of SQLite's extended result codes.
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(code, int) and (code & 0xFF) in DAMAGED


def open_for_writing(
    path: Path, now: datetime, migrations: Sequence[Step] = MIGRATIONS
) -> sqlite3.Connection:
    """Open a record, made or migrated where needed, in WAL mode and in autocommit.

    Raises JournalError (newer, foreign, damaged), sqlite3.Error or OSError. Nothing is changed in
    a file that is refused.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    link = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None)
    try:
        version = check_identity(link, path, len(migrations))
        # A shared-memory file is out of reach on some network mounts; then WAL is not taken and
        # the rollback journal serves as well, only slower.
        link.execute("PRAGMA journal_mode = WAL")
        link.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")
        link.execute("PRAGMA foreign_keys = ON")
        if version < len(migrations):
            _migrate(link, now, migrations)
        check_tables(link, path)
    except BaseException:
        link.close()
        raise
    return link


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a record read-only, also while it is written and also on a read-only disk.

    Raises JournalError with the reason when that cannot be done.
    """
    if not path.is_file():
        raise JournalError(
            "there is no record",
            where=str(path),
            fix="run the engine, which makes it, or name another file with [journal] path",
        )
    try:
        link = _connect_read_only(path)
    except sqlite3.Error as error:
        raise reading_error(path, error) from error
    try:
        version = check_identity(link, path, SCHEMA_VERSION)
        if version < SCHEMA_VERSION:
            raise OlderRecordError(
                f"the record has the older form {version}",
                where=str(path),
                allowed=f"form {SCHEMA_VERSION}",
                fix="start the engine once with it, which brings it up to date",
            )
    except sqlite3.Error as error:
        link.close()
        raise reading_error(path, error) from error
    except BaseException:
        link.close()
        raise
    return link


def _connect_read_only(path: Path) -> sqlite3.Connection:
    """Connect with mode=ro, or as immutable where no shared-memory file can be made."""
    uri = path.resolve().as_uri()
    link = sqlite3.connect(f"{uri}?mode=ro", uri=True, timeout=BUSY_MS / 1000)
    try:
        link.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        link.close()
        # Immutable skips all locking, so it is for a file that nobody can be writing: its write
        # log would be beside it.
        if path.with_name(path.name + "-wal").exists():
            raise
        link = sqlite3.connect(f"{uri}?mode=ro&immutable=1", uri=True)
    except BaseException:
        link.close()
        raise
    return link


def reading_error(path: Path, error: sqlite3.Error) -> JournalError:
    """Return what to tell a person about an error of SQLite while reading."""
    if is_damage(error):
        return DamagedRecordError(
            f"the record is damaged ({error})",
            where=str(path),
            fix="keep a copy and try `sqlite3 FILE .recover` on it; the engine moves the file "
            "aside and begins a new one when it finds the damage",
        )
    return JournalError(f"the record cannot be read ({error})", where=str(path))


def check_identity(link: sqlite3.Connection, path: Path, newest: int) -> int:
    """Return the record's version, 0 for an empty file. Raises JournalError for a wrong file."""
    tables = {name for (name,) in link.execute("SELECT name FROM sqlite_master")}
    (identity,) = link.execute("PRAGMA application_id").fetchone()
    if not tables and identity in {0, APPLICATION_ID}:
        return 0
    if identity != APPLICATION_ID or "meta" not in tables:
        raise ForeignFileError(
            "the file is a database, but not a record of brimwatch; it is left alone",
            where=str(path),
            fix="name another file with [journal] path",
        )
    version = _version(link)
    if version > newest:
        raise NewerRecordError(
            f"the record has the form {version} of a later brimwatch; it is left alone",
            where=str(path),
            allowed=f"forms up to {newest}",
            fix="update brimwatch, or name another file with [journal] path",
        )
    return version


def _version(link: sqlite3.Connection) -> int:
    (version,) = link.execute("SELECT coalesce(max(version), 0) FROM meta").fetchone()
    return int(version)


def _migrate(link: sqlite3.Connection, now: datetime, migrations: Sequence[Step]) -> None:
    """Bring the record up to the last step, each step all or nothing."""
    for version, step in enumerate(migrations, start=1):
        link.execute("BEGIN IMMEDIATE")
        try:
            link.execute(
                "CREATE TABLE IF NOT EXISTS meta "
                "(version INTEGER PRIMARY KEY, applied TEXT NOT NULL)"
            )
            # Asked inside the transaction: another engine may have migrated a moment ago.
            if version > _version(link):
                link.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                for statement in step:
                    link.execute(statement)
                link.execute("INSERT INTO meta VALUES (?, ?)", (version, wall_text(now)))
            link.execute("COMMIT")
        except BaseException:
            if link.in_transaction:
                link.execute("ROLLBACK")
            raise


def check_tables(link: sqlite3.Connection, path: Path) -> None:
    """Raise DamagedRecordError when a small table is broken.

    Samples and inputs are left out: reading tens of megabytes from a memory card takes seconds,
    and new ones only touch the table's end.
    """
    for table in ("meta", "fill", "alarm", "event", "note", "calibration"):
        exists = link.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        if exists is None:
            continue
        (verdict,) = link.execute(f"PRAGMA quick_check({table})").fetchone()
        if verdict != "ok":
            raise DamagedRecordError(f"the record is damaged ({verdict})", where=str(path))
