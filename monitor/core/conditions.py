"""Every condition that a rule can have on a station.

A condition is a plain question to a `Picture`; it knows no time but the picture's own. Each says
what is true *now*: how long it must be true is the rule's business (`hazards`).
"""

from __future__ import annotations

from math import inf

from monitor.core.balance import Verdict
from monitor.core.exchange import Way
from monitor.core.phases import Phase
from monitor.core.units import S_PER_MIN
from monitor.core.view import Picture


def leak(p: Picture) -> bool:
    return p.leak_wet


def leak_gone(p: Picture) -> bool:
    return p.leak_fresh and not p.leak_wet


def heard_shut(p: Picture) -> bool:
    """The newest reading was made long enough after the valve was told to shut."""
    return p.shut_for_s - p.silent_s > p.closing_s + p.limits.shut_grace_s


def still_flows(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm >= p.limits.flow_min_lpm and heard_shut(p)


def stays_open(p: Picture) -> bool:
    return p.valve_open and heard_shut(p)


def shut_and_dry(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm < p.limits.flow_min_lpm and not p.valve_open


def seeps(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm >= p.limits.flow_min_lpm


def over_volume(p: Picture) -> bool:
    """What still comes before the next reading, and while the valve closes, is counted in."""
    coming_l = p.flow_lpm / S_PER_MIN * (p.limits.reading_period_s + p.closing_s)
    return p.delivered_l + (coming_l if p.flow_fresh else 0.0) > p.volume_limit_l


def over_time(p: Picture) -> bool:
    return p.elapsed_s > p.time_limit_s


def float_early(p: Picture) -> bool:
    enough_l = p.need_l * (1.0 - p.limits.early_share) - p.limits.volume_margin_l
    return p.to_mark and p.float_fresh and p.float_high and p.delivered_l < enough_l


def float_trips(p: Picture) -> bool:
    """A fill of so many litres that reaches the mark first was meant for more room."""
    return not p.to_mark and p.float_fresh and p.float_high


def float_low(p: Picture) -> bool:
    return p.float_fresh and not p.float_high


def scalds(p: Picture) -> bool:
    return p.temp_fresh and p.temp_c >= p.scald_c


def hot(p: Picture) -> bool:
    return p.temp_fresh and p.purged and p.temp_c > p.high_c


def cold(p: Picture) -> bool:
    return p.temp_fresh and p.purged and p.temp_c < p.low_c


def no_flow(p: Picture) -> bool:
    return p.flow_fresh and p.open_for_s > p.closing_s and p.flow_lpm < p.limits.flow_min_lpm


def impossible_flow(p: Picture) -> bool:
    return p.flow_fresh and p.flow_lpm > p.flow_max_lpm


def speaking(p: Picture) -> bool:
    """The node itself is heard, so a missing value is that sensor's own fault."""
    return p.silent_s < p.limits.suspect_s


def temp_unread(p: Picture) -> bool:
    return not p.temp_fresh and speaking(p)


def flow_unread(p: Picture) -> bool:
    return not p.flow_fresh and speaking(p)


def float_unread(p: Picture) -> bool:
    return not p.float_fresh and speaking(p)


def leak_unread(p: Picture) -> bool:
    return not p.leak_fresh and speaking(p)


def temp_read(p: Picture) -> bool:
    return p.temp_fresh


def flow_read(p: Picture) -> bool:
    return p.flow_fresh and not impossible_flow(p)


def over_high(p: Picture) -> bool:
    return p.over_high


def over_low(p: Picture) -> bool:
    return p.over_fresh and not p.over_high


def over_unread(p: Picture) -> bool:
    return not p.over_fresh and speaking(p)


def over_read(p: Picture) -> bool:
    return p.over_fresh


def twins(p: Picture) -> bool:
    return p.twins


def one_node(p: Picture) -> bool:
    return not p.twins


def pump_off(p: Picture) -> bool:
    return p.pump_for_s >= p.limits.pump_confirm_s


def pump_on(p: Picture) -> bool:
    return p.pump_for_s <= 0.0


def float_read(p: Picture) -> bool:
    return p.float_fresh


def leak_read(p: Picture) -> bool:
    return p.leak_fresh


def silent(p: Picture) -> bool:
    return p.silent_s >= p.limits.permit_ttl_s


def broker_lost(p: Picture) -> bool:
    return silent(p) and (not p.link_up or p.echo_missing)


def node_gone(p: Picture) -> bool:
    return p.node_restarted or (silent(p) and not broker_lost(p) and p.node_gone)


def node_silent(p: Picture) -> bool:
    return silent(p) and not broker_lost(p) and not p.node_gone


def overslept(p: Picture) -> bool:
    return p.overslept


def interrupted(p: Picture) -> bool:
    return p.interrupted


def always(_: Picture) -> bool:
    return True


def heard(p: Picture) -> bool:
    return p.silent_s < p.limits.suspect_s and p.link_up


def level_over(p: Picture) -> bool:
    return p.level_fresh and p.level_m > p.mark_m + p.limits.level_over_m


def level_under(p: Picture) -> bool:
    return p.level_fresh and p.level_m <= p.mark_m + p.limits.level_over_m


def level_unread(p: Picture) -> bool:
    return not p.level_fresh and speaking(p)


def level_read(p: Picture) -> bool:
    return p.level_fresh


def level_frozen(p: Picture) -> bool:
    return p.balance is Verdict.FROZEN


def hose_off(p: Picture) -> bool:
    return p.balance is Verdict.HOSE_OFF


def part_missing(p: Picture) -> bool:
    return p.balance is Verdict.MISSING


def falls(p: Picture) -> bool:
    return p.balance is Verdict.FALLS


def drains_away(p: Picture) -> bool:
    """The valve is shut and the water sinks: an open drain, or a hose that siphons on."""
    return p.way is Way.IN and p.balance is Verdict.FALLS


def stands(p: Picture) -> bool:
    """The level is read, and no fall is named any more: else a reset would be undone at once."""
    return p.level_fresh and not drains_away(p)


def jammed(p: Picture) -> bool:
    return p.balance is Verdict.JAMMED


def extra_water(p: Picture) -> bool:
    return p.balance is Verdict.EXTRA


def meter_off(p: Picture) -> bool:
    return p.balance is Verdict.METER_OFF


def balanced(p: Picture) -> bool:
    """The level is read again; what it told of is over with the fill it was told of."""
    return p.level_fresh


def creeps(p: Picture) -> bool:
    return p.seeping


def creeps_not(p: Picture) -> bool:
    return not p.seeping


def sump_high(p: Picture) -> bool:
    return p.sump_high


def sump_below(p: Picture) -> bool:
    return p.sump_high_fresh and not p.sump_high


def sump_unread(p: Picture) -> bool:
    return not p.sump_high_fresh and speaking(p)


def sump_read(p: Picture) -> bool:
    return p.sump_high_fresh


def sump_low(p: Picture) -> bool:
    return p.sump_low


def sump_above(p: Picture) -> bool:
    return p.sump_low_fresh and not p.sump_low


def store_full(p: Picture) -> bool:
    return p.store_full


def store_room(p: Picture) -> bool:
    return p.store_fresh and not p.store_full


def store_unread(p: Picture) -> bool:
    return not p.store_fresh and speaking(p)


def store_read(p: Picture) -> bool:
    return p.store_fresh


def low_unread(p: Picture) -> bool:
    return not p.low_fresh and speaking(p)


def low_read(p: Picture) -> bool:
    return p.low_fresh


def _drained(p: Picture) -> bool:
    """A drain is the latest thing done: one that was only just asked for has let nothing out."""
    return p.way is Way.OUT and p.elapsed_s > 0.0


def past_low(p: Picture) -> bool:
    """A drain that has ended, and the water goes on below the low mark, or simply goes on.

    A person's hose takes a while to be lifted out, and a person may take more once it is done.
    Once stopped, water that stands below the mark is for the refill to mend, and no alarm.
    """
    if not _drained(p):
        return False
    low = p.low_fresh and p.low_hit and not p.low_ended
    below = p.level_fresh and p.level_m < p.low_m - p.limits.level_over_m
    if low or (below and p.phase is not Phase.STOPPED):
        return True
    watched = p.phase is not Phase.DONE and not p.by_hose
    return watched and (p.gone_l > p.limits.drain_over_l or p.balance is Verdict.FALLS)


def runs_dry_not(p: Picture) -> bool:
    """Once stopped, the water need only stand still: the litres gone do not come back."""
    runs = p.balance is Verdict.FALLS if p.phase is Phase.STOPPED else past_low(p)
    return p.level_fresh and not (runs and p.way is Way.OUT)


def take_hose_out(p: Picture) -> bool:
    """A hose that drained is in the water, until a person resets or begins something new."""
    return _drained(p) and p.by_hose and p.phase is not Phase.IDLE


def no_hose(p: Picture) -> bool:
    return not take_hose_out(p)


def heater_bare(p: Picture) -> bool:
    """The heater is on and the water is about to leave it, by the level or by the low float."""
    shallow = p.level_fresh and p.level_m < p.heater_m + p.limits.heater_margin_m
    return p.heater_on and (p.low_hit or shallow)


def heater_covered(p: Picture) -> bool:
    return not heater_bare(p)


def _tank_goes(p: Picture, temp_c: float) -> bool:
    """A temperature of the tank that it must not have; one that is not known accuses nobody."""
    too_far = abs(temp_c - p.tank_from_c) > p.tank_change_c
    return too_far or temp_c > p.tank_high_c or temp_c < p.tank_low_c


def tank_drifts(p: Picture) -> bool:
    return p.temp_fresh and p.purged and _tank_goes(p, p.tank_ahead_c)


def tank_moves(p: Picture) -> bool:
    return p.temp_fresh and p.purged and _tank_goes(p, p.tank_soon_c)


def temp_dead(p: Picture) -> bool:
    return p.temp_dead


def cartridge_old(p: Picture) -> bool:
    """Nearly used up; one of unknown age is the pre-fill check's business."""
    return p.limits.cartridge_warn <= p.cartridge_share < inf


def cartridge_good(p: Picture) -> bool:
    return p.cartridge_share < p.limits.cartridge_warn


def storm(p: Picture) -> bool:
    return p.rejected_per_min > p.limits.rejected_max_per_min


def storm_over(p: Picture) -> bool:
    return not storm(p)


def record_ill(p: Picture) -> bool:
    return p.record_ill


def record_well(p: Picture) -> bool:
    return not p.record_ill


def desk_gone(p: Picture) -> bool:
    return p.desk_gone


def nobody_told(p: Picture) -> bool:
    """The desk is not heard, and no person stays beside the tank."""
    return p.desk_gone and not p.attended


def desk_here(p: Picture) -> bool:
    return not p.desk_gone


def flooded(p: Picture) -> bool:
    return p.flooded


def not_flooded(p: Picture) -> bool:
    return not p.flooded
