"""A recording as SenML (RFC 8428): one reading pack a line, as a node sends them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from monitor.core.exchange import ReadingPack
from monitor.core.reading import Kind, Sample
from monitor.link.senml import decode_pack
from monitor.link.text import MalformedError
from monitor.replay.frames import Frame, Recording, RecordingError, noise_m, quiet_before

LINE_MAX = 64 * 1024
RESTART_S = 1.0  # between the last pack of one boot and the first of the next: nobody knows


def read_packs(
    lines: Sequence[bytes], file: str, station: str, kinds: Mapping[str, Kind]
) -> Recording:
    """Return the recording that packs make, each at its node's own uptime.

    A pack that repeats an earlier one is left out. After a restart of the node its clock goes on
    from where it was.

    Raises:
        RecordingError: with the line's number, what is wrong and what is allowed.
    """
    frames: list[Frame] = []
    sensors: set[str] = set()
    levels_m: list[float] = []
    dropped = 0
    boot, seq, offset_s, valve, valve_s = "", -1, 0.0, False, 0.0
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        where = f"{file}, line {number}"
        pack = _pack(line, station, where)
        if pack.boot == boot and pack.seq <= seq:
            dropped += 1
            continue
        if pack.boot != boot and frames:
            offset_s = frames[-1].t_s + RESTART_S - pack.uptime_s
        t_s = pack.uptime_s + offset_s
        if frames and t_s < frames[-1].t_s:
            raise RecordingError(f"the time goes back to {pack.uptime_s:g} s", where=where,
                                 allowed="packs in the order they were sent")  # fmt: skip
        for sample in pack.samples:
            if kinds.get(sample.sensor) is not sample.kind:
                raise RecordingError(
                    f"there is no {sample.kind} sensor {sample.sensor!r} in the config",
                    where=where, allowed=", ".join(kinds),
                )  # fmt: skip
            sensors.add(sample.sensor)
            if sample.kind is Kind.LEVEL and sample.value is not None:
                levels_m.append(sample.value)
        if pack.valve_open is not valve or not frames:
            valve, valve_s = pack.valve_open, t_s
        boot, seq = pack.boot, pack.seq
        frames.append(Frame(t_s, _moved(pack, offset_s), valve, valve_s, boot))
    gaps = [b.t_s - a.t_s for a, b in pairwise(frames) if b.t_s > a.t_s]
    period_s = median(gaps) if gaps else 0.0
    from_s = frames[0].t_s if frames else 0.0
    return Recording(
        file=file,
        frames=[*_quiet(frames, period_s), *frames],
        sensors=frozenset(sensors),
        rows=len(frames),
        period_s=period_s,
        from_s=from_s,
        level_s=period_s,
        level_sd_m=noise_m(levels_m),
        dropped=dropped,
    )


def _quiet(frames: Sequence[Frame], period_s: float) -> list[Frame]:
    """Return the first pack once more, at the moments before it and with the valve shut."""
    return [
        Frame(t_s, tuple(replace(s, at_s=t_s) for s in first.samples), False, t_s, first.boot)
        for first in frames[:1]
        for t_s in quiet_before(first.t_s, period_s)
    ]


def _pack(line: bytes, station: str, where: str) -> ReadingPack:
    if len(line) > LINE_MAX:
        raise RecordingError(f"a line of {len(line)} bytes", where=where,
                             allowed=f"at most {LINE_MAX}")  # fmt: skip
    try:
        return decode_pack(line, station)
    except MalformedError as error:
        raise RecordingError(
            f"no reading pack of station {station}: {error.what}", where=where,
            allowed=error.allowed or "a SenML pack as a node sends it",
        ) from error  # fmt: skip


def _moved(pack: ReadingPack, offset_s: float) -> tuple[Sample, ...]:
    if offset_s == 0.0:
        return pack.samples
    return tuple(replace(sample, at_s=sample.at_s + offset_s) for sample in pack.samples)
