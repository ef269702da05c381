"""What small changes of the filter showed to be unsaid: no variance below nought, no certainty."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from monitor.core.kalman import Four, Ten, Wander, advance, correct_flow, correct_volume

Correct = Callable[[Four, Ten, float, float], tuple[Four, Ten]]
KNOWN: Ten = (0.0,) * 10
MEAN: Four = (10.0, 8.0, 0.1, 0.5)


def variances(cov: Ten) -> tuple[float, float, float, float]:
    """Return the diagonal: volume, base flow, drift, passing flow."""
    return cov[0], cov[4], cov[7], cov[9]


def tied(spread: Four) -> Ten:
    """Return the covariance of four numbers that all hang on a single one."""
    a, b, c, d = spread
    return (a * a, a * b, a * c, a * d, b * b, b * c, b * d, c * c, c * d, d * d)


@pytest.mark.parametrize("correct", [correct_volume, correct_flow])
def test_rounding_never_leaves_a_variance_below_nought(correct: Correct) -> None:
    """Claim: an exact measurement of four numbers that hang on a single one leaves nothing
    unknown, and what rounding leaves of that is not negative.
    """
    random = Random(7)
    for _ in range(300):
        a, b, c, d = (random.uniform(0.1, 9.0) for _ in range(4))
        _, cov = correct(MEAN, tied((a, b, c, d)), 11.0, 0.0)
        assert all(variance >= 0.0 for variance in variances(cov))
        assert variances(cov) == pytest.approx((0.0,) * 4, abs=1e-12)


def test_what_is_known_exactly_is_not_moved_by_an_exact_measurement() -> None:
    """Claim: with no variance on either side there is nothing to weigh, and nothing is divided by
    it; a variance below nought counts as none.
    """
    for var in (0.0, -1.0):
        assert correct_volume(MEAN, KNOWN, 11.0, var) == (MEAN, KNOWN)
        assert correct_flow(MEAN, KNOWN, 9.0, var) == (MEAN, KNOWN)


def test_no_time_so_short_that_rounding_makes_a_variance_negative() -> None:
    """Claim: from certainty, any moment later the volume's variance is nought or more."""
    random = Random(3)
    for _ in range(300):
        wander = Wander(0.0, 0.2, 10.0 ** random.uniform(-2.0, 2.0))
        _, cov = advance(MEAN, KNOWN, 10.0 ** random.uniform(-12.0, -3.0), wander)
        assert all(variance >= 0.0 for variance in variances(cov))
