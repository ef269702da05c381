"""What small changes of the priors showed to be unsaid: their numbers, as written down."""

from __future__ import annotations

import pytest

from monitor.core.priors import PastFill, priors_from


def test_ten_fills_are_looked_at_and_no_more() -> None:
    """Claim: the tenth fill back still counts; the eleventh does not."""
    rows = [PastFill(10.0, 0.3)] * 9 + [PastFill(20.0, 0.3)]
    assert priors_from(rows).flow_lpm == pytest.approx(11.0)
    ten = [PastFill(10.0, 0.3)] * 10
    assert priors_from([*ten, PastFill(20.0, 9.0)]) == priors_from(ten)
    assert priors_from([*ten, PastFill(20.0, 9.0)]).fills == 10


def test_flow_is_never_surer_than_a_twentieth() -> None:
    """Claim: two fills alike at 10 L/min leave half a litre a minute of doubt."""
    assert priors_from([PastFill(10.0, None)] * 2).flow_sd_lpm == pytest.approx(0.5)


def test_one_fill_says_the_next_to_a_quarter() -> None:
    """Claim: after a single fill at 8 L/min the next may as well run at 6 or 10."""
    assert priors_from([PastFill(8.0, None)]).flow_sd_lpm == pytest.approx(2.0)


def test_an_overrun_of_fifty_litres_is_the_last_that_is_one() -> None:
    """Claim: more than 50 L after the valve was told to shut is a stuck valve, and teaches nothing;
    50 L itself is still believed.
    """
    assert priors_from([PastFill(None, 50.0)]).overrun_l == 50.0
    assert priors_from([PastFill(None, 50.01)]).overrun_l == 0.0


def test_no_overrun_is_told_sharper_than_half_a_decilitre() -> None:
    """Claim: fills alike to the last digit leave 0.05 L of doubt, and so does one without any."""
    assert priors_from([PastFill(None, 0.3)] * 5).overrun_sd_l == pytest.approx(0.05)
    assert priors_from([PastFill(None, 0.0)]).overrun_sd_l == pytest.approx(0.05)
