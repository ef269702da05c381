"""A station at one moment, as far as it can be believed: what rules and checks look at."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan

from monitor.core.balance import Verdict
from monitor.core.exchange import Way
from monitor.core.limits import DEFAULTS, Limits
from monitor.core.phases import Phase


@dataclass(frozen=True)  # without slots: see `changed`
class Picture:
    """A station at one moment, as far as it can be believed. Seconds are engine seconds.

    A value whose `*_fresh` is False must not be used. `shut_for_s` is how long ago the valve was
    told to shut (0 while it is told to open), `open_for_s` the other way round.
    """

    now_s: float
    phase: Phase
    float_high: bool = False
    float_fresh: bool = True
    over_high: bool = False
    over_fresh: bool = True
    leak_wet: bool = False
    leak_fresh: bool = True
    temp_c: float = 0.0
    temp_fresh: bool = True
    flow_lpm: float = 0.0
    flow_fresh: bool = True
    silent_s: float = 0.0
    link_up: bool = True
    echo_missing: bool = False
    overslept: bool = False
    interrupted: bool = False
    twins: bool = False
    pump_for_s: float = 0.0
    node_gone: bool = False
    node_restarted: bool = False
    guard_cause: str = ""
    valve_open: bool = False
    open_for_s: float = 0.0
    shut_for_s: float = 0.0
    closing_s: float = 1.0
    delivered_l: float = 0.0
    need_l: float = 0.0
    overrun_l: float = 0.0
    volume_limit_l: float = 0.0
    to_mark: bool = True
    elapsed_s: float = 0.0
    time_limit_s: float = 0.0
    purged: bool = False
    low_c: float = 0.0
    high_c: float = 0.0
    scald_c: float = 0.0
    flow_max_lpm: float = 0.0
    limits: Limits = DEFAULTS
    # --- fitted options: what is not fitted reads as well ---
    way: Way = Way.IN
    low_hit: bool = False  # a low float says that the water is below it
    low_fresh: bool = True
    sump_high: bool = False
    sump_high_fresh: bool = True
    sump_low: bool = False
    sump_low_fresh: bool = True
    store_full: bool = False
    store_fresh: bool = True
    level_m: float = 0.0
    level_fresh: bool = True
    water_l: float = nan  # in the vessel by the smoothed level; NaN when not known
    balance: Verdict = Verdict.CALM
    seeping: bool = False  # the level has been creeping up for hours
    mark_m: float = inf
    mark_l: float = inf  # litres in the vessel at the mark
    low_m: float = 0.0
    low_l: float = 0.0
    low_ended: bool = False  # the low float ended this drain
    gone_l: float = 0.0  # litres that a drain surely let out after it was told to shut
    by_hose: bool = False  # a drain that a person's hose does
    heater_on: bool = False  # as far as anybody knows; unknown is on
    heater_m: float = 0.0
    tank_c: float = nan  # now, by its thermometer or worked out
    tank_soon_c: float = nan  # in a minute, if the water goes on like this
    tank_ahead_c: float = nan  # at the end of the fill
    tank_from_c: float = nan  # when the fill began
    tank_change_c: float = inf
    tank_low_c: float = -inf
    tank_high_c: float = inf
    tank_fresh: bool = True
    temp_dead: bool = False  # the incoming thermometer has not answered to the flow
    temp_doubted: bool = False  # it did not in an earlier fill, and nobody has reset that
    cartridge_share: float = 0.0  # of its life used, by litres or by days
    attended: bool = False  # a person stays beside the tank
    need_room_l: float = inf  # up to the mark, by the level
    proof_age_s: float = 0.0  # of the oldest proof test that counts
    people_age_s: float = 0.0
    supply_busy: bool = False
    worlds_differ: bool = False  # simulated engine and real node, or the other way round
    rejected_per_min: float = 0.0
    record_ill: bool = False
    desk_gone: bool = False
    flooded: bool = False  # with alarms
