"""What small changes of the debounce showed to be unsaid: long runs, edges, odd clocks, figures."""

from __future__ import annotations

from math import inf, nan, nextafter

import pytest

from monitor.core.debounce import (
    FLOAT_DEBOUNCE,
    FLOAT_WORST,
    LEAK_DEBOUNCE,
    LEAK_WORST,
    Contact,
    Debounce,
)

D = Debounce(hold_s=4.0, bound_s=10.0, release_s=6.0)
PENDING = D.step(D.start(raw=False, now_s=0.0), raw=True, now_s=1.0)


@pytest.mark.parametrize("now_s", [nan, inf, -inf])
def test_a_start_without_a_clock_counts_from_nought(now_s: float) -> None:
    """Claim: a first look at a senseless time begins at nought, and one at a good time then."""
    assert D.start(raw=False, now_s=now_s) == Contact(False, False, 0.0, None, 0.0)
    assert D.start(raw=False, now_s=5.0) == Contact(False, False, 5.0, None, 5.0)


@pytest.mark.parametrize("now_s", [nan, inf, -inf, 0.999])
def test_a_pending_trip_comes_at_once_when_the_clock_fails(now_s: float) -> None:
    """Claim: a hold that cannot be measured is over, and no senseless time is kept."""
    after = D.step(PENDING, raw=True, now_s=now_s)
    assert after.active
    assert after.at_s == (0.999 if now_s == 0.999 else PENDING.at_s)


def test_steadily_active_never_releases() -> None:
    """Claim: however long it has been active, only quiet ends it."""
    contact = D.start(raw=True, now_s=0.0)
    for second in (1.0, 6.0, 7.0, 86_400.0):
        contact = D.step(contact, raw=True, now_s=second)
        assert contact.active
    assert D.step(contact, raw=False, now_s=200_000.0).active  # quiet begins only now


def test_a_hold_without_end_is_not_waited_for() -> None:
    """Claim: a moment that never comes is no deadline."""
    endless = Debounce(inf, inf, 6.0)
    pending = endless.step(endless.start(raw=False, now_s=0.0), raw=True, now_s=1.0)
    assert not pending.active
    assert endless.deadline(pending) is None


def test_quiet_that_is_whole_at_the_bound_forgets() -> None:
    """Claim: of a quiet hold and a bound that end in one moment, the quiet wins, and is not
    waited for.
    """
    contact = D.step(D.start(raw=False, now_s=0.0), raw=True, now_s=0.0)
    contact = D.step(contact, raw=False, now_s=3.0)
    contact = D.step(contact, raw=True, now_s=3.5)
    contact = D.step(contact, raw=False, now_s=6.0)
    assert D.deadline(contact) is None
    assert not D.step(contact, raw=False, now_s=10.0).active


def test_after_a_whole_quiet_hold_the_bound_counts_anew() -> None:
    """Claim: an edge in the very moment a quiet hold is whole is a first edge."""
    contact = D.step(D.start(raw=False, now_s=0.0), raw=True, now_s=0.0)
    contact = D.step(contact, raw=False, now_s=1.0)
    for second in range(5, 15):  # chatters from 5 s on; the first edge was at 0 s
        contact = D.step(contact, raw=second % 2 == 1, now_s=float(second))
        assert not contact.active
    assert D.step(contact, raw=True, now_s=15.0).active


@pytest.mark.parametrize(
    ("debounce", "hold_s", "bound_s", "release_s"),
    [(FLOAT_DEBOUNCE, 0.5, 1.75, 1.0), (LEAK_DEBOUNCE, 0.2, 0.6, 1.0),
     (FLOAT_WORST, 1.0, 3.0, 60.0), (LEAK_WORST, 1.0, 1.0, 60.0)],
)  # fmt: skip
def test_a_float_and_a_probe_take_the_time_they_are_said_to(
    debounce: Debounce, hold_s: float, bound_s: float, release_s: float
) -> None:
    """Claim: at rest a steady contact acts after hold_s, a chattering one after bound_s, and water
    that has gone counts as gone after release_s; a config may ask for no more than the worst.
    """
    first = debounce.step(debounce.start(raw=False, now_s=0.0), raw=True, now_s=0.0)
    assert debounce.deadline(first) == min(hold_s, bound_s)
    assert not debounce.step(first, raw=True, now_s=nextafter(hold_s, 0.0)).active
    acting = debounce.step(first, raw=True, now_s=hold_s)
    assert acting.active
    chatter = Contact(active=False, raw=True, since_s=bound_s - 0.1, first_s=0.0, at_s=0.0)
    assert not debounce.step(chatter, raw=True, now_s=nextafter(bound_s, 0.0)).active
    assert debounce.step(chatter, raw=True, now_s=bound_s).active
    quiet = Contact(active=True, raw=False, since_s=0.0, first_s=None, at_s=0.0)
    assert debounce.step(quiet, raw=False, now_s=nextafter(release_s, 0.0)).active
    assert not debounce.step(quiet, raw=False, now_s=release_s).active
