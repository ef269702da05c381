"""A fill's samples as a table of comma-separated values (RFC 4180)."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import TextIO

from monitor.journal.rows import FillRecord, FillSample, wall_text

COLUMNS = ("t_s", "wall", "temp_c", "flow_lpm", "volume_l", "phase", "level_m", "tank_c")


def write_csv(fill: FillRecord, samples: Iterable[FillSample], out: TextIO) -> int:
    """Write a header line and one line per sample; return the number of samples.

    Lines end in CR LF (RFC 4180, section 2), so open files with newline="". Numbers are the
    shortest decimals that read back to the same value; what is not known is an empty field.
    `wall` is the wall time at which the fill began plus `t_s`.
    """
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    count = 0
    for sample in samples:
        wall = wall_text(fill.started + timedelta(seconds=sample.t_s))
        # The writer itself turns floats into their repr and None into an empty field.
        table.writerow(
            (
                sample.t_s,
                wall,
                sample.temp_c,
                sample.flow_lpm,
                sample.volume_l,
                sample.phase,
                sample.level_m,
                sample.tank_c,
            )
        )
        count += 1
    return count


def save_csv(fill: FillRecord, samples: Iterable[FillSample], target: Path) -> int:
    """Write the table to a file, which appears whole or not at all. Raises OSError."""
    unfinished = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with unfinished.open("w", encoding="utf-8", newline="") as out:
            count = write_csv(fill, samples, out)
        unfinished.replace(target)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    return count
