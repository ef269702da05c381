"""The debounce: a trip waits for its hold or its bound, and for nothing longer."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.debounce import (
    FLOAT_DEBOUNCE,
    FLOAT_WORST,
    LEAK_DEBOUNCE,
    LEAK_WORST,
    Contact,
    Debounce,
)

D = Debounce(hold_s=4.0, bound_s=10.0, release_s=6.0)

# Whole seconds, so that no comparison hangs on rounding.
configs = st.tuples(st.integers(1, 6), st.integers(1, 14), st.integers(0, 4)).map(
    lambda limits: Debounce(float(limits[0]), float(limits[1]), float(limits[0] + limits[2]))
)
histories = st.lists(st.booleans(), min_size=1, max_size=60)
odd_floats = st.floats(allow_nan=True, allow_infinity=True)


def told(debounce: Debounce, raw: list[bool]) -> list[bool]:
    """Return the state after each second of `raw`, stepping at edges and deadlines only."""
    contact = debounce.start(raw[0], 0.0)
    states = [contact.active]
    for second, (before, now) in enumerate(pairwise(raw), start=1):
        while (at_s := debounce.deadline(contact)) is not None and at_s < second:
            contact = debounce.step(contact, before, at_s)
        if before != now or debounce.deadline(contact) == second:
            contact = debounce.step(contact, now, float(second))
        while debounce.deadline(contact) == second:
            contact = debounce.step(contact, now, float(second))
        states.append(contact.active)
    return states


def dense(debounce: Debounce, raw: list[bool]) -> list[bool]:
    """Return the same by looking back over the whole history at every second, run by run."""
    active, first = raw[0], None
    states = [active]
    for second in range(1, len(raw)):
        run = 0
        while run < second and raw[second - 1 - run] == raw[second - 1]:
            run += 1
        was = raw[second - 1]
        if active:
            active = was or run < debounce.release_s
        elif was and run >= debounce.hold_s:
            active = True
        elif not was and run >= debounce.hold_s:
            first = None
        if not active and first is not None and second - first >= debounce.bound_s:
            active = True
        first = None if active else second if raw[second] and first is None else first
        states.append(active)
    return states


def test_found_active_counts_at_once() -> None:
    """A contact that is active when first looked at needs no hold: it may be so for days."""
    assert D.start(True, 5.0).active
    assert not D.start(False, 5.0).active


def test_steady_contact_trips_at_its_hold() -> None:
    """Steadily active, it trips at hold_s exactly and not before."""
    contact = D.step(D.start(False, 0.0), True, 1.0)
    assert D.deadline(contact) == 5.0
    assert not D.step(contact, True, math.nextafter(5.0, 0)).active
    assert D.step(contact, True, 5.0).active


def test_chatter_trips_at_its_bound() -> None:
    """Toggling faster than the hold, it trips bound_s after the first edge and not before."""
    contact = D.start(False, 0.0)
    for second in range(1, 11):
        contact = D.step(contact, second % 2 == 1, float(second))
        assert not contact.active
    assert D.deadline(contact) == 11.0
    assert D.step(contact, False, 11.0).active


def test_quiet_gap_ends_the_unrest() -> None:
    """A quiet hold_s forgets the first edge: a drop every minute never adds up to a trip."""
    contact = D.start(False, 0.0)
    for minute in range(1, 30):
        contact = D.step(contact, True, 60.0 * minute)
        contact = D.step(contact, False, 60.0 * minute + 1)
        assert not contact.active
        assert D.deadline(contact) is None


def test_release_needs_unbroken_quiet() -> None:
    """Going quiet takes release_s without a break; one active moment starts it anew."""
    contact = D.step(D.start(True, 0.0), False, 1.0)
    assert D.deadline(contact) == 7.0
    contact = D.step(contact, True, 6.0)
    assert D.deadline(contact) is None
    contact = D.step(contact, False, 6.5)
    assert D.step(contact, False, 12.4).active
    released = D.step(contact, False, 12.5)
    assert not released.active
    assert D.deadline(released) is None


def test_late_step_still_shows_the_trip() -> None:
    """A trip that came due in a quiet moment is shown by the next step, however late that is."""
    contact = D.step(D.start(False, 0.0), True, 0.0)
    contact = D.step(contact, False, 3.0)
    contact = D.step(contact, True, 6.5)
    contact = D.step(contact, False, 9.5)
    late = D.step(contact, False, 500.0)
    assert late.active
    assert not D.step(late, False, 500.0).active


@given(configs, histories)
def test_agrees_with_looking_back_over_the_whole_history(
    debounce: Debounce, raw: list[bool]
) -> None:
    """Stepping at edges and deadlines alone gives the state that the full history gives."""
    assert told(debounce, raw) == dense(debounce, raw)


@given(configs, histories)
def test_chatter_never_starves_a_trip(debounce: Debounce, raw: list[bool]) -> None:
    """From every active edge: active within bound_s, unless quiet for hold_s in between."""
    states = told(debounce, raw)
    for edge in range(1, len(raw)):
        end = edge + int(debounce.bound_s)
        if not raw[edge] or raw[edge - 1] or end >= len(raw):
            continue
        quiet = "".join("1" if second else "0" for second in raw[edge:end])
        if "0" * int(debounce.hold_s) not in quiet:
            assert any(states[edge : end + 1])


@given(configs, histories)
def test_never_active_without_a_cause(debounce: Debounce, raw: list[bool]) -> None:
    """A trip means a full hold of activity, or an edge at least bound_s ago: splashes do not."""
    states = told(debounce, raw)
    for second in range(1, len(raw)):
        if states[second] and not states[second - 1]:
            held = raw[max(0, second - int(debounce.hold_s)) : second]
            edge_before = any(raw[: max(0, second - int(debounce.bound_s)) + 1])
            assert (len(held) == debounce.hold_s and all(held)) or edge_before


@given(configs, histories)
def test_never_quiet_without_a_full_release(debounce: Debounce, raw: list[bool]) -> None:
    """Once active, it stays so until raw has been quiet for release_s without a break."""
    states = told(debounce, raw)
    for second in range(1, len(raw)):
        if states[second - 1] and not states[second]:
            assert not any(raw[second - int(debounce.release_s) : second])


@given(configs, histories, st.lists(st.integers(0, 240), max_size=40))
def test_polling_in_between_changes_nothing(
    debounce: Debounce, raw: list[bool], polls: list[int]
) -> None:
    """Extra looks at an unchanged contact neither hurry nor delay a trip."""
    plain = told(debounce, raw)
    contact = debounce.start(raw[0], 0.0)
    extra = {poll / 4 for poll in polls}
    for quarter in range(1, 4 * len(raw)):
        at_s = quarter / 4
        second = int(at_s)
        due = debounce.deadline(contact) == at_s
        if at_s in extra or due or at_s == second:
            contact = debounce.step(contact, raw[second], at_s)
        if at_s == second:
            while debounce.deadline(contact) == at_s:
                contact = debounce.step(contact, raw[second], at_s)
            assert contact.active == plain[second]


@given(configs, st.lists(st.tuples(st.booleans(), odd_floats), max_size=30))
def test_any_clock_is_survived(debounce: Debounce, steps: list[tuple[bool, float]]) -> None:
    """No time, however odd, raises, gives an odd deadline, or hides an active contact."""
    contact = debounce.start(False, math.nan)
    for raw, now_s in steps:
        before, contact = contact, debounce.step(contact, raw, now_s)
        deadline_s = debounce.deadline(contact)
        assert deadline_s is None or math.isfinite(deadline_s)
        assert math.isfinite(contact.at_s)
        if not before.at_s <= now_s < math.inf:
            assert contact.active == (raw or before.active or before.first_s is not None)
            assert contact.at_s == (now_s if math.isfinite(now_s) else before.at_s)


def test_clock_that_stands_still_is_no_fault() -> None:
    """Several looks in one instant are normal: nothing trips, nothing is lost."""
    contact = D.step(D.start(False, 3.0), True, 3.0)
    assert contact == D.step(contact, True, 3.0)
    assert not contact.active


@pytest.mark.parametrize("limit_s", [math.nan, -1.0, 0.0])
def test_senseless_limit_trips_at_once(limit_s: float) -> None:
    """A hold or a bound that cannot be measured never makes a trip wait."""
    for debounce in (Debounce(limit_s, 10.0, 1.0), Debounce(4.0, limit_s, 1.0)):
        contact = debounce.step(debounce.start(False, 0.0), True, 1.0)
        assert contact.active
        assert contact.first_s is None
    stuck = Debounce(4.0, 10.0, math.nan)
    quiet = stuck.step(stuck.start(True, 0.0), False, 1.0)
    assert stuck.deadline(quiet) is None
    assert stuck.step(quiet, False, 1e9).active


@pytest.mark.parametrize("field", ["hold_s", "bound_s"])
def test_limit_that_turned_nan_counts_as_passed(field: str) -> None:
    """A pending contact met by a NaN limit is active: every comparison falls on the safe side."""
    limits = {"hold_s": 4.0, "bound_s": 10.0, "release_s": 1.0, field: math.nan}
    pending = Contact(active=False, raw=True, since_s=0.0, first_s=0.0, at_s=0.0)
    assert Debounce(**limits).step(pending, True, 0.5).active


@pytest.mark.parametrize(
    ("ours", "worst", "hold_max_s", "bound_max_s"),
    [(FLOAT_DEBOUNCE, FLOAT_WORST, 1.0, 3.0), (LEAK_DEBOUNCE, LEAK_WORST, 1.0, 1.0)],
)
def test_defaults_keep_the_hazard_bounds(
    ours: Debounce, worst: Debounce, hold_max_s: float, bound_max_s: float
) -> None:
    """A high float acts within 1 s, a chattering one within 3 s, a leak within 1 s in all."""
    assert (worst.hold_s, worst.bound_s) == (hold_max_s, bound_max_s)
    assert ours.hold_s < worst.hold_s
    assert ours.hold_s <= ours.bound_s < worst.bound_s
    assert ours.hold_s <= ours.release_s <= worst.release_s
