"""Pulse flow meters: exact counts, and flow by reciprocal counting.

Counting pulses for a second is off by up to one pulse: ±1.3 % at 75 Hz, ±13 % at 7.5 Hz. Timing
them is not: n intervals between the first and the last edge of a window, divided by the time
between those two edges, is right to the precision of the time stamps for any steady flow.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from monitor.core.reading import Fault, Kind, Sample
from monitor.core.units import S_PER_MIN
from monitor.drivers.gpio import InputLine, PinFactory
from monitor.errors import HardwareError

WINDOW_S = 1.0  # the flow is the mean of about this long
WINDOW_PULSES = 5  # or of this many pulses where they come slower
WINDOW_MAX_S = 3.0  # but of no more than this: a mean over longer would hide a stop
SHORTEST_S = 0.2  # edges closer together than this are too few or too sudden to be timed
SILENT_S = 3.0  # without an edge for this long the flow reads as zero
HANDOVER_S = 0.25  # the longest an edge is on its way from the wire to this driver
NOISE_MARGIN = 1.3  # over the meter's range by this much is electricity, not water
EDGES_MAX_HZ = 10_000.0  # more than a callback for each edge can follow on a small machine
_OTHER_ORIGIN_S = 5.0  # stamps further than this from the factory's clock count from elsewhere


def pulse_rate_hz(times_s: Sequence[float], now_s: float) -> float:
    """Return the pulse rate (Hz) of rising edge times, seen at `now_s` on the same clock.

    When the edges stop it falls as 1 / (time since the last one), the most the true rate can be,
    and is 0 from `SILENT_S` on. An edge may be on its way for `HANDOVER_S`, so that much silence
    proves nothing.
    """
    newest = len(times_s) - 1
    if newest < 1 or not now_s - times_s[newest] < SILENT_S:
        return 0.0
    last_s = times_s[newest]
    oldest = min(bisect_right(times_s, last_s - WINDOW_S) - 1, newest - WINDOW_PULSES)
    oldest = max(oldest, bisect_left(times_s, last_s - WINDOW_MAX_S), 0)
    span_s = last_s - times_s[oldest]
    # Where flow has only just begun, or a contact bounced, plain counting is all that can be said.
    rate_hz = (newest - oldest) / (span_s if span_s >= SHORTEST_S else WINDOW_S)
    silence_s = now_s - last_s - HANDOVER_S
    return min(rate_hz, 1 / silence_s) if silence_s > 0 else rate_hz


class FlowMeter:
    """A pulse flow meter with an open-collector output, as a sensor (L/min). See `ports.Sensor`.

    f[Hz] = K · Q[L/min], so `pulses_per_litre` = 60 · K. Edges that come faster than `max_lpm`
    allows, by a margin and for as long as can be timed, are `Fault.NOISE`; they are counted all
    the same.

    Raises:
        HardwareError: the numbers make no meter (on construction), or the pin cannot be claimed
            (on entering).
    """

    def __init__(
        self,
        *,
        sensor_id: str,
        pin: int,
        factory: PinFactory,
        pulses_per_litre: float,
        max_lpm: float,
    ) -> None:
        """Keep the arguments; nothing is claimed before the driver is entered."""
        max_hz = max_lpm * pulses_per_litre / S_PER_MIN * NOISE_MARGIN
        if not (pulses_per_litre > 0 and 0 < max_hz <= EDGES_MAX_HZ):
            raise HardwareError(
                f"{pulses_per_litre} pulses/L at up to {max_lpm} L/min cannot be counted",
                where=sensor_id,
                allowed=f"both above 0, and at most {EDGES_MAX_HZ / NOISE_MARGIN:.0f} pulses/s",
                fix="take both from the meter's data sheet",
            )
        self._id = sensor_id
        self._pin = pin
        self._factory = factory
        self._pulses_per_litre = pulses_per_litre
        self._max_hz = max_hz
        self._line: InputLine | None = None
        # Only the edge thread writes these two. The margin lets noise be seen as such.
        self._count = 0
        self._ticks: deque[float] = deque(maxlen=math.ceil(2 * max_hz * WINDOW_S) + 16)
        self._origin: float | None = None

    @property
    def id(self) -> str:
        """The sensor's name in the config."""
        return self._id

    @property
    def kind(self) -> Kind:
        """What it measures."""
        return Kind.FLOW

    @property
    def bound_lpm(self) -> float:
        """The smallest flow that does not read as zero: one pulse in `SILENT_S`."""
        return S_PER_MIN / (SILENT_S * self._pulses_per_litre)

    async def __aenter__(self) -> Self:
        """Claim the pin; the count goes on from where it was."""
        self._line = InputLine(
            self._pin, factory=self._factory, edges="falling", on_edge=self._on_edge
        )
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the pin back."""
        if self._line is not None:
            self._line.close()
        self._line = None

    def watch(self, notify: Callable[[Sample], None]) -> None:
        """Do nothing: a flow has no state that flips, its samples are the news."""

    def sample(self, now_s: float) -> Sample:
        """Return the flow now with the count of all pulses so far."""
        count = self._count
        fault: Fault | None = None
        flow_lpm: float | None = None
        if self._line is None:
            fault = Fault.MISSING
        elif self._line.high() is None:
            fault = Fault.ERROR
        else:
            rate_hz = self._rate_hz()
            if rate_hz is None:
                fault = Fault.NOISE
            else:
                flow_lpm = rate_hz / self._pulses_per_litre * S_PER_MIN
        return Sample(self._id, Kind.FLOW, now_s, flow_lpm, fault, count)

    def _on_edge(self, ticks: float, _high: bool) -> None:
        # Runs for every pulse, in the pin library's thread: nothing here may wait or grow.
        if self._origin is None:
            self._origin = self._origin_of(ticks)
        self._ticks.append(ticks)
        self._count += 1

    def _origin_of(self, ticks: float) -> float:
        """Return what to add to an edge's stamp to have it on the factory's clock.

        Old kernels stamp edges by the time of day, while the factory's own ticks are monotonic.
        """
        ahead_s = self._factory.ticks_diff(self._factory.ticks(), ticks)
        return ahead_s if abs(ahead_s) > _OTHER_ORIGIN_S else 0.0

    def _rate_hz(self) -> float | None:
        """Return the pulse rate now, None when it is beyond the meter: noise."""
        times_s = list(self._ticks)
        now_s = self._factory.ticks() - (self._origin or 0.0)
        rate_hz = pulse_rate_hz(times_s, now_s)
        in_window = len(times_s) - bisect_right(times_s, now_s - WINDOW_S)
        return None if max(rate_hz, in_window / WINDOW_S) > self._max_hz else rate_hz
