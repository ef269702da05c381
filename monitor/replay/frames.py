"""What every kind of recording becomes: frames, one for each pass of readings, in order of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt
from pathlib import Path
from statistics import fmean, median

from monitor.core.reading import Sample
from monitor.errors import BrimwatchError, ExitCode

SIZE_MAX = 128 * 1024 * 1024  # bytes
LINES_MAX = 1_000_000  # two days of five sensors once a second: some 200 MB of memory
QUIET_FRAMES = 9  # two blocks of the balance at a reading a second
NOISE_LAGS = (1, 3, 10)  # readings
NOISE_LEAST = 60  # readings; with fewer nothing can be said
MISSED = 3.5  # periods without a reading after which a sensor, or the recording, is silent


class RecordingError(BrimwatchError, ValueError):
    """A recording cannot be read; the message names the line."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Frame:
    """All that was read in one pass. `t_s` is the recording's own time.

    `valve` is what somebody else commanded (None: not recorded) and `valve_s` since when.
    """

    t_s: float
    samples: tuple[Sample, ...]
    valve: bool | None = None
    valve_s: float = 0.0
    boot: str = "recording"


@dataclass(frozen=True, slots=True)
class Recording:
    """A whole recording. `sensors` are the ids of the config that appear in it.

    `period_s` is the usual time between two frames, and `level_s` between two levels: what is
    silent for much longer has failed. `level_sd_m` is how far one level is off, as the recording
    itself shows (0: not known).
    """

    file: str
    frames: Sequence[Frame]
    sensors: frozenset[str]
    rows: int
    period_s: float
    from_s: float
    level_s: float = 0.0
    level_sd_m: float = 0.0
    dropped: int = 0  # repeated packs, left out

    @property
    def has_valve(self) -> bool:
        """Whether it tells what the valve was commanded."""
        return any(frame.valve is not None for frame in self.frames)


def quiet_before(first_s: float, pace_s: float) -> list[float]:
    """Return moments before a recording, at which all is taken to be as it is first recorded.

    The core looks at the water for a while before a valve opens; a recording may begin with that.
    """
    return [first_s - count * max(pace_s, 1.0) for count in range(QUIET_FRAMES, 0, -1)]


def noise_m(levels_m: Sequence[float]) -> float:
    """Return the standard deviation of one level, from the recording itself; 0 for too few.

    A steady rise falls out of a second difference and leaves sqrt(6) times the noise; the widest of
    several lags sees waves that last. It is never told smaller than the usual step from one reading
    to the next: a level and a count of one line may have been read so far apart.
    """
    if len(levels_m) < NOISE_LEAST:
        return 0.0
    widest = median(abs(later - sooner) for sooner, later in pairwise(levels_m))
    for lag in NOISE_LAGS:
        thirds = zip(levels_m, levels_m[lag:], levels_m[2 * lag :], strict=False)
        widest = max(widest, sqrt(fmean([(a - b - b + c) ** 2 for a, b, c in thirds]) / 6))
    return widest


def lines_of(path: Path) -> list[bytes]:
    """Return a file's lines.

    Raises:
        RecordingError: it cannot be read, is too large, or empty.
    """
    try:
        size = path.stat().st_size
        if size > SIZE_MAX:
            raise RecordingError(f"{size} bytes are too many", where=str(path),
                                 allowed=f"at most {SIZE_MAX} bytes", fix="cut it")  # fmt: skip
        lines = path.read_bytes().splitlines()
    except OSError as error:
        raise RecordingError(
            f"it cannot be read ({error.strerror or error})", where=str(path)
        ) from error
    if len(lines) > LINES_MAX:
        raise RecordingError(f"{len(lines)} lines are too many", where=str(path),
                             allowed=f"at most {LINES_MAX}", fix="cut it")  # fmt: skip
    if not any(line.strip() for line in lines):
        raise RecordingError("the file is empty", where=str(path),
                             allowed="CSV with the columns t_s,sensor,value, or SenML packs, one "
                             "a line")  # fmt: skip
    return lines
