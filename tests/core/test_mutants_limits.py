"""The limits as they were agreed, and the edges of what a config may do with them.

A limit is moved in two places on purpose: in the table with its source and reason, and here. What
the catalogue of hazards demands of them is checked beside it, in `test_limits.py`.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.limits import DEFAULTS, LIMITS, relations

AGREED = {  # lowest, default, highest
    "permit_ttl_s": (1.0, 1.9, 1.9),
    "reading_period_s": (0.2, 1.0, 1.0),
    "open_max_s": (60.0, 14400.0, 21600.0),
    "loop_stall_s": (0.5, 3.0, 3.5),
    "reading_stale_s": (1.5, 3.0, 3.0),
    "clock_creep": (5e-05, 0.0005, 0.001),
    "twin_s": (5.0, 10.0, 60.0),
    "suspect_s": (0.5, 1.3, 1.5),
    "quiet_s": (2.0, 5.0, 30.0),
    "quiet_bound_s": (4.0, 12.0, 60.0),
    "check_quiet_s": (2.0, 3.0, 30.0),
    "check_max_s": (3.0, 15.0, 60.0),
    "flow_min_lpm": (0.3, 0.5, 2.0),
    "no_flow_s": (3.0, 13.0, 14.0),
    "no_flow_bound_s": (5.0, 28.0, 30.0),
    "shut_grace_s": (0.5, 3.0, 3.0),
    "shut_flow_s": (1.0, 4.0, 4.0),
    "shut_flow_bound_s": (2.0, 9.0, 9.0),
    "seep_s": (5.0, 25.0, 27.0),
    "seep_bound_s": (10.0, 55.0, 55.0),
    "volume_margin": (0.0, 0.03, 0.08),
    "volume_margin_l": (0.5, 4.0, 20.0),
    "early_share": (0.05, 0.2, 0.4),
    "overrun_max_l": (0.0, 3.0, 10.0),
    "time_margin": (0.02, 0.2, 0.5),
    "time_margin_s": (10.0, 120.0, 600.0),
    "learn_s": (20.0, 60.0, 300.0),
    "missing_share": (0.1, 0.15, 0.17),
    "flow_floor_lpm": (0.5, 2.0, 10.0),
    "level_over_m": (0.003, 0.01, 0.02),
    "drain_over_l": (1.0, 3.0, 10.0),
    "level_over_s": (0.5, 2.0, 3.0),
    "level_over_bound_s": (1.0, 5.0, 6.0),
    "heater_margin_m": (0.01, 0.02, 0.1),
    "hot_s": (1.0, 4.0, 4.0),
    "hot_bound_s": (2.0, 8.5, 8.5),
    "cold_s": (1.0, 13.0, 14.0),
    "cold_bound_s": (2.0, 28.0, 28.0),
    "scald_max_c": (25.0, 43.0, 45.0),
    "tank_look_s": (30.0, 60.0, 300.0),
    "dead_s": (120.0, 240.0, 300.0),
    "dead_c": (0.1, 0.5, 1.0),
    "pipe_rest_s": (600.0, 3600.0, 14400.0),
    "proof_days": (7.0, 180.0, 366.0),
    "people_s": (3600.0, 86400.0, 172800.0),
    "cartridge_warn": (0.5, 0.9, 1.0),
    "rejected_max_per_min": (5.0, 30.0, 600.0),
    "shelve_max_s": (60.0, 28800.0, 43200.0),
    "pump_confirm_s": (60.0, 600.0, 3600.0),
    "hold_pause_s": (10.0, 60.0, 600.0),
    "hold_max_s": (30.0, 180.0, 1800.0),
    "holds_max": (0.0, 2.0, 5.0),
    "drain_settle_s": (20.0, 60.0, 300.0),
    "watch_after_s": (60.0, 180.0, 900.0),
    "settle_s": (10.0, 20.0, 120.0),
}


def test_every_limit_stands_where_it_was_agreed() -> None:
    """Claim: no default and no end of a hard range has moved by a change nobody meant to make."""
    now = {name: (row.low, row.default, row.high) for name, row in LIMITS.items()}
    assert now == AGREED


@pytest.mark.parametrize("name", sorted(n.removesuffix("_bound_s") for n in AGREED
                                        if n.endswith("_bound_s")))  # fmt: skip
def test_a_bound_of_just_twice_its_hold_is_allowed(name: str) -> None:
    """Claim: at exactly twice the hold the two still fit together, a hair below no more."""
    hold_s = getattr(DEFAULTS, f"{name}_s")
    assert relations(replace(DEFAULTS, **{f"{name}_bound_s": 2.0 * hold_s})) == ()
    told = relations(replace(DEFAULTS, **{f"{name}_bound_s": 2.0 * hold_s - 0.01}))
    assert len(told) == 1
    assert f"{name}_bound_s" in told[0]


def test_readings_may_be_half_as_old_as_staleness() -> None:
    """Claim: staleness of exactly two reading periods is allowed, a hair below no more."""
    twice_s = 2.0 * DEFAULTS.reading_period_s
    assert relations(replace(DEFAULTS, reading_stale_s=twice_s)) == ()
    assert relations(replace(DEFAULTS, reading_stale_s=twice_s - 0.01)) != ()
