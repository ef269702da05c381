"""Quality before value: which readings may be believed at this moment.

Every pack of a node carries all of its sensors, so the newest pack is the whole truth and an older
one that comes late is dropped by its sequence number. A sample is dated in the engine's time by
way of the smallest transit ever seen from this boot (`offset_s`), so a reading that sat in a queue
is as old as it really is, however fresh its arrival. To the rules, every failure of the link, the
node or a sensor looks like staleness.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf, isfinite

from monitor.core.exchange import ReadingPack
from monitor.core.forecast import COUNT_MAX
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.reading import Fault, Kind, Sample

BOOTS_KEPT = 16  # a node that restarts more often than this is told of long before


@dataclass(frozen=True, slots=True)
class Track:
    """The last good value of one sensor and what it says now.

    `good_s` is when the value was true, in engine seconds; minus infinity when there was none.
    """

    value: float = 0.0
    count: int = 0
    good_s: float = -inf
    fault: Fault | None = Fault.MISSING


NEW = Track()  # a sensor that has never been heard


@dataclass(frozen=True, slots=True)
class Senses:
    """All that is known of one node's sensors."""

    tracks: Mapping[str, Track] = field(default_factory=dict)
    boot: str = ""
    seq: int = -1
    uptime_s: float = -inf  # node time of the newest pack
    offset_s: float = inf  # engine time minus node time, at the smallest transit seen
    heard_s: float = -inf  # engine time of the newest pack's making, by its transit
    arrived_s: float = -inf
    valve_open: bool = False
    drain_open: bool = False
    former: tuple[tuple[str, int], ...] = ()  # boots heard before this one, with their last number
    twin_s: float = -inf  # when such a boot was last heard saying something new


def _next(before: Track, sample: Sample, offset_s: float, now_s: float) -> Track:
    """Fold one sample into a sensor's track; a faulty one keeps the last good value and ages it. A
    flow without its count has no value: litres hang on it.
    """
    value, count = sample.value, sample.count
    if count is None:
        count = before.count if sample.kind is not Kind.FLOW else -1
    if sample.fault is not None or value is None or not (
        isfinite(value) and 0 <= count <= COUNT_MAX
    ):
        return replace(before, fault=sample.fault or Fault.ERROR)
    dated_s = sample.at_s + offset_s
    dated_s = min(dated_s, now_s)
    return Track(value, count, dated_s, None) if before.good_s <= dated_s < inf else before


def _refused(senses: Senses, pack: ReadingPack, now_s: float, limits: Limits) -> Senses | None:
    """Return what is left of a pack that is not to be taken in; None when it is to be."""
    if not (isfinite(pack.uptime_s) and isfinite(now_s)):
        return senses
    if pack.boot == senses.boot:
        late = pack.seq <= senses.seq or pack.uptime_s < senses.uptime_s
        return senses if late else None
    past_seq = dict(senses.former).get(pack.boot)
    if past_seq is None:
        return None
    if pack.seq <= past_seq:
        return senses
    present = now_s - senses.arrived_s < limits.twin_s
    return replace(senses, twin_s=now_s) if present else None


def accept(
    senses: Senses, pack: ReadingPack, now_s: float, limits: Limits = DEFAULTS
) -> tuple[Senses, bool]:
    """Fold a pack in. The second value is False when it was old, repeated or out of its time.

    A new boot starts from nothing: what another boot said proves nothing about this one. A boot
    that was superseded and says something new is a second node of the same name, and is not
    listened to until the present one has been silent for long.
    """
    refused = _refused(senses, pack, now_s, limits)
    if refused is not None:
        return refused, False
    offset_s = transit_s = now_s - pack.uptime_s
    former, old = senses.former, senses.tracks
    if pack.boot != senses.boot:
        old = {}
        former = (*former, (senses.boot, senses.seq))[-BOOTS_KEPT:] if senses.boot else ()
    else:
        since_s = max(0.0, now_s - senses.arrived_s)
        offset_s = min(senses.offset_s + limits.clock_creep * since_s, transit_s)
    tracks = {s.sensor: _next(old.get(s.sensor, NEW), s, offset_s, now_s) for s in pack.samples}
    after = Senses(
        tracks={**old, **tracks},
        boot=pack.boot,
        seq=pack.seq,
        uptime_s=pack.uptime_s,
        offset_s=offset_s,
        heard_s=min(pack.uptime_s + offset_s, now_s),
        arrived_s=now_s,
        valve_open=pack.valve_open,
        drain_open=pack.drain_open,
        former=former,
        twin_s=senses.twin_s,
    )
    return after, True


def age_s(senses: Senses, sensor: str, now_s: float) -> float:
    """Return how old a sensor's last good value is; infinite when there is none."""
    track = senses.tracks.get(sensor)
    if track is None:
        return inf
    age = now_s - track.good_s
    return age if age >= 0.0 else inf  # a value from the future, or NaN: not to be believed


def fresh(senses: Senses, sensor: str, now_s: float, limits: Limits = DEFAULTS) -> bool:
    """Say whether a sensor has a believable value now."""
    return age_s(senses, sensor, now_s) < limits.reading_stale_s


def fresh_sensors(senses: Senses, now_s: float, limits: Limits = DEFAULTS) -> set[str]:
    """Return the sensors that have a believable value now."""
    stale_s = limits.reading_stale_s
    return {
        sensor for sensor, track in senses.tracks.items() if 0.0 <= now_s - track.good_s < stale_s
    }


def silence_s(senses: Senses, now_s: float) -> float:
    """Return how long ago the node made the newest pack that has arrived."""
    silence = now_s - senses.heard_s
    return silence if silence >= 0.0 else inf
