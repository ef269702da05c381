"""How likely a safety function fails when it is needed, and what a proof test not done costs.

A float that has rusted fast says nothing of it: it looks just like one with no water at it. Such a
dangerous, undetected failure lies hidden until a proof test or a flood finds it, so the longer ago
the last test, the less the float can be relied on. These are the simplified equations of
IEC 61508-6:2010 Annex B (from memory) for parts that every proof test makes as good as new.

A rate is that of dangerous failures alone, per hour; `coverage` is the share of them that the
program notices by itself at once (the diagnostic coverage), and `repair_h` is how long a failure,
once found, stays. Probabilities are averages over the proof-test interval, 0 to 1. The equations
are linear in rate times interval and so never below the exact average; they are held to 1.

Nothing raises. NaN, and a value that cannot be (a negative time, a share above 1), give 1.0: what
is not known is taken as certain to fail.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

_HALF: Final = 1 / 2  # a failure at a random moment waits half the interval for the test
_THIRD: Final = 1 / 3  # and the second of two such failures a third of it
_PAIR: Final = 2.0  # either of two may fail first

SIL_PFD: Final = (1e-1, 1e-2, 1e-3, 1e-4)
"""The upper, excluded ends of SIL 1 to 4 for low demand (IEC 61508-1:2010 table 2)."""

SIL_PFH_PER_H: Final = (1e-5, 1e-6, 1e-7, 1e-8)
"""The same for high demand, in dangerous failures per hour (IEC 61508-1:2010 table 3)."""


def pfd_1oo1(
    rate_per_h: float, interval_h: float, *, repair_h: float = 0.0, coverage: float = 0.0
) -> float:
    """Return the average probability that a single part fails on demand.

    `interval_h` is the proof-test interval in hours; infinity means that it is never tested.
    """
    if not _can_be((rate_per_h, interval_h, repair_h), (coverage,)):
        return 1.0
    return _held(rate_per_h * _down_h(interval_h * _HALF, repair_h, coverage))


def pfd_1oo2(
    rate_per_h: float,
    interval_h: float,
    *,
    beta: float,
    beta_detected: float | None = None,
    repair_h: float = 0.0,
    coverage: float = 0.0,
) -> float:
    """Return the average probability that two like parts, of which one is enough, both fail.

    `beta` is the share of undetected failures that strike both at once (the common cause: one
    limescale, one hand that hung both floats), `beta_detected` that of the detected ones, the same
    when not given. Never above `pfd_1oo1` of one of them, which the simplified equation alone would
    be once a part is more likely failed than not.
    """
    common = beta if beta_detected is None else beta_detected
    if not _can_be((rate_per_h, interval_h, repair_h), (coverage, beta, common)):
        return 1.0
    unseen_per_h, seen_per_h = rate_per_h * (1 - coverage), rate_per_h * coverage
    single_per_h = (1 - common) * seen_per_h + (1 - beta) * unseen_per_h
    both = (
        _PAIR * single_per_h * single_per_h
        * _down_h(interval_h * _HALF, repair_h, coverage)
        * _down_h(interval_h * _THIRD, repair_h, coverage)
    )  # fmt: skip
    at_once = common * seen_per_h * repair_h + beta * unseen_per_h * (interval_h * _HALF + repair_h)
    one = pfd_1oo1(rate_per_h, interval_h, repair_h=repair_h, coverage=coverage)
    return min(_held(both + at_once), one)


def pfd_chain(parts: Iterable[float]) -> float:
    """Return the probability that a function fails of which every part is needed.

    The sum over sensor, logic and final element, as the standard adds them. No parts at all is no
    function, which gives 1.0.
    """
    known = tuple(parts)
    return _held(sum(known)) if known and _can_be((), known) else 1.0


def sil_band(pfd: float) -> int:
    """Return the safety integrity level, 1 to 4, whose low-demand band a probability falls in.

    0 when it is worse than all of them, or cannot be. Arithmetic on assumed rates is no
    certificate: a level also asks for an architecture and a way of working.
    """
    return _band(pfd, SIL_PFD)


def sil_band_per_h(pfh_per_h: float) -> int:
    """Return the same for a function needed often, from its dangerous failures per hour."""
    return _band(pfh_per_h, SIL_PFH_PER_H)


def _down_h(wait_h: float, repair_h: float, coverage: float) -> float:
    """Return how long a failure lasts on average: an undetected one waits for the test first."""
    return (1 - coverage) * (wait_h + repair_h) + coverage * repair_h


def _can_be(amounts: Iterable[float], shares: Iterable[float]) -> bool:
    return all(a >= 0.0 for a in amounts) and all(0.0 <= s <= 1.0 for s in shares)


def _held(probability: float) -> float:
    """Hold a probability to 1; NaN, as of never failing and never being tested, is 1 too."""
    return min(1.0, probability)  # In this order, since min gives way only to what is smaller.


def _band(value: float, ends: tuple[float, ...]) -> int:
    return sum(value < end for end in ends) if value >= 0.0 else 0
