"""Timed stories of what an unattended fill hangs on, and of what the shell tells the core: proofs,
cartridge, people, desk, supply, record, simulation.
"""

from __future__ import annotations

from math import inf

import pytest

from monitor.core.events import FillRefused, Here, Noted, SendPermit
from monitor.core.exchange import Presence
from monitor.core.facts import VALVE
from monitor.core.limits import DEFAULTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import Phase
from monitor.core.units import S_PER_DAY
from support.stories import FLOAT, LEAK, LOW_L, STATION, Story, full_plan, presence, river_plan

IDLE, FILLING, STOPPED = Phase.IDLE, Phase.FILLING, Phase.STOPPED
PROOF_S = DEFAULTS.proof_days * S_PER_DAY
WAIT_S = 3.0  # from the question to the opening, when all is well


def refused(story: Story, **args: object) -> set[str]:
    """Ask for a fill and return the checks that kept it from starting."""
    reply = story.ask("fill", litres=20.0, **args)
    assert reply.ok, reply.text
    story.until(IDLE, DEFAULTS.check_max_s + 2.0)
    return story.ended_checks()


def fills(story: Story, **args: object) -> bool:
    """Ask for a fill and say whether it starts."""
    reply = story.ask("fill", litres=20.0, **args)
    assert reply.ok, reply.text
    story.run(WAIT_S + 1.0)
    return story.phase is FILLING


def station(**changes: object) -> Story:
    """Return a quiet station with more in its plan than usual."""
    return Story(plan=river_plan(**changes)).begin()


# --- S02, S11: proof tests ---


@pytest.mark.parametrize("part", [FLOAT, LEAK, VALVE])
def test_a_part_never_proven_refuses_an_unattended_fill(story: Story, part: str) -> None:
    """Claim (S11): each part by itself, and a person beside the tank may fill all the same."""
    proven_s = {p: story.engine_s - 60.0 for p in story.plan.proven if p != part}
    story.tell(proven_s=proven_s)
    assert refused(story) == {"proof"}
    assert fills(story, attended=True)


@pytest.mark.parametrize(("age_s", "starts"), [(PROOF_S - 10.0, True), (PROOF_S - 2.0, False)])
def test_a_proof_is_good_until_its_very_day(story: Story, age_s: float, starts: bool) -> None:
    """Claim (S02): what counts is its age at the moment of opening, three seconds on."""
    story.tell(proven_s=dict.fromkeys(story.plan.proven, story.engine_s - age_s))
    assert fills(story) is starts


def test_a_proof_from_the_future_is_none(story: Story) -> None:
    """Claim: a date that is still to come proves nothing."""
    story.tell(proven_s=dict.fromkeys(story.plan.proven, story.engine_s + 1e6))
    assert refused(story) == {"proof"}


def test_a_proof_that_is_noted_is_kept_by_the_shell(story: Story) -> None:
    """Claim: the core notes what was proven and by whom; only the shell's new facts count."""
    story.tell(proven_s={})
    for part in story.plan.proven:
        assert story.ask("note", by="keeper two", what="proof", part=part).ok
    assert [(n.what, n.part, n.by) for n in story.done(Noted)] == [
        ("proof", part, "keeper two") for part in story.plan.proven
    ]
    assert refused(story) == {"proof"}
    story.tell()
    assert fills(story)


@pytest.mark.parametrize(
    "args",
    [
        {}, {"what": "proof"}, {"what": "proof", "part": "incoming"}, {"what": "dance"},
        {"what": 7}, {"what": None, "part": FLOAT}, {"what": "proof", "part": ["a"]},
        {"what": ["proof"]},
    ],
)  # fmt: skip
def test_a_note_of_nothing_is_refused(story: Story, args: dict[str, object]) -> None:
    """Claim: only parts that must be proven can be, and nothing else is noted."""
    state = story.station
    assert not story.ask("note", **args).ok
    assert story.done(Noted) == []
    assert story.station == state


@pytest.mark.parametrize("what", ["cartridge", "people"])
def test_what_else_people_note(story: Story, what: str) -> None:
    """Claim: a new cartridge, and that somebody can be reached; neither names a part."""
    assert story.ask("note", what=what, part="nonsense").ok
    assert story.done(Noted)[-1] == Noted(what, "", "keeper")


# --- T07: the cartridge ---


@pytest.mark.parametrize(
    ("litres", "alarm", "starts"),
    [(7199.0, "A", True), (7200.0, "B", True), (7999.0, "B", True), (8000.0, "B", False)],
)
def test_a_cartridge_by_litres(litres: float, alarm: str, starts: bool) -> None:
    """Claim (T07): at 90 % of its litres a new one is asked for, at 100 % no unattended fill."""
    story = station(filter_l=8000.0)
    story.tell(cartridge_l=litres).run(1.0)
    assert story.alarm("cartridge") == alarm
    assert fills(story) is starts
    if not starts:
        story.until(IDLE)
        assert story.ended_checks() == {"cartridge"}
        assert fills(story, attended=True)


@pytest.mark.parametrize(("days", "alarm", "starts"), [(161.9, "A", True), (162.1, "B", True),
                                                       (180.1, "B", False)])  # fmt: skip
def test_a_cartridge_by_days(days: float, alarm: str, starts: bool) -> None:
    """Claim (T07): the same by its age."""
    story = station(filter_days=180.0)
    story.tell(cartridge_s=story.engine_s - days * S_PER_DAY).run(1.0)
    assert story.alarm("cartridge") == alarm
    assert fills(story) is starts


def test_a_new_cartridge_ends_the_question() -> None:
    """Claim: told of a new one, the alarm goes by itself."""
    story = station(filter_l=8000.0)
    story.tell(cartridge_l=7900.0).run(1.0)
    story.tell().run(1.0)
    assert story.alarm("cartridge") == "D"


def test_a_cartridge_of_unknown_age_refuses_and_warns_of_nothing() -> None:
    """Claim (T07): nothing known is nothing left; the check says so, and no alarm repeats it."""
    story = station(filter_l=8000.0, filter_days=180.0)
    story.tell(cartridge_l=inf, cartridge_s=-inf).run(1.0)
    assert story.alarm("cartridge") == "A"
    assert refused(story) == {"cartridge"}


def test_a_station_without_a_cartridge_asks_for_none(story: Story) -> None:
    """Claim: no life told, none used up."""
    story.tell(cartridge_l=inf, cartridge_s=-inf).run(1.0)
    assert fills(story)


# --- C14: people ---


@pytest.mark.parametrize(("age_s", "starts"), [(DEFAULTS.people_s - 10.0, True),
                                               (DEFAULTS.people_s - 2.0, False)])  # fmt: skip
def test_somebody_must_have_been_reachable_within_the_day(age_s: float, starts: bool) -> None:
    """Claim (C14): where the config asks for it, and only for an unattended fill."""
    story = station(people_check=True)
    story.tell(people_s=story.engine_s - age_s)
    assert fills(story) is starts
    if not starts:
        story.until(IDLE)
        assert story.ended_checks() == {"people"}
        assert fills(story, attended=True)


def test_people_count_only_where_the_config_says_so(story: Story) -> None:
    """Claim (C14): by default nobody's phone keeps a fill from starting."""
    story.tell(people_s=-inf)
    assert fills(story)


# --- C16: the desk ---


def test_a_desk_that_goes_quiet_is_told_within_ten_seconds_and_comes_back() -> None:
    """Claim (C16): with `warn` people near the tank are told, the fill goes on, and the alarm goes
    by itself.
    """
    story = station(desk="warn")
    story.fill(420.0).run(60.0)
    story.desk(False)
    at_s = story.now_s
    story.run(30.0)
    assert DEFAULTS.quiet_s <= story.alarmed("desk-quiet") - at_s <= 10.0
    assert story.phase is FILLING
    story.desk(True).run(1.0)
    assert story.alarm("desk-quiet") == "D"


def test_a_desk_that_flickers_is_told_within_its_bound() -> None:
    """Claim (C16): a desk that comes and goes is told of all the same."""
    story = station(desk="warn")
    at_s = story.now_s
    for second in range(14):
        story.desk(second % 2 == 1).run(1.0)
    assert story.alarmed("desk-quiet") - at_s <= DEFAULTS.quiet_bound_s + 1.0


def test_with_close_a_fill_ends_when_the_desk_goes() -> None:
    """Claim (C16): at once, latched, in a hold too, and after a reset none starts without it."""
    story = station(desk="close")
    story.fill(420.0).run(60.0)
    story.desk(False)
    assert not story.relay
    assert (story.phase, story.station.cause_key) == (STOPPED, "desk-gone")
    assert not story.ask("reset").ok
    story.desk(True)
    assert story.ask("reset").ok
    story.desk(False)
    assert refused(story) == {"desk"}


def test_with_close_a_person_beside_the_tank_needs_no_desk() -> None:
    """Claim (C16): an attended fill begins without the desk, and is not ended by its going."""
    story = station(desk="close")
    story.desk(False)
    assert fills(story, attended=True)
    story.run(5.0)
    assert story.phase is FILLING
    story.desk(True).run(2.0)
    story.desk(False).run(2.0)
    assert story.phase is FILLING


@pytest.mark.parametrize("desk", ["warn", "close"])
def test_a_desk_never_heard_of_keeps_an_unattended_fill_from_starting(desk: str) -> None:
    """Claim (C16): with either, unheard is gone."""
    story = station(desk=desk)
    story.station = type(story.station)(senses=story.station.senses, link_up=True,
                                        facts=story.station.facts)  # fmt: skip
    assert refused(story) == {"desk"}


def test_a_desk_nobody_cares_for_refuses_and_alarms_nothing(story: Story) -> None:
    """Claim (C16): with `ignore` the desk may crash."""
    story.desk(False).run(60.0)
    assert story.raised() == set()
    assert fills(story)


# --- W24: one supply ---


def test_two_stations_of_one_supply_fill_one_after_the_other(story: Story) -> None:
    """Claim (W24): while another draws on the supply no fill starts, attended or not; it may start
    within the checks' time when the other has done.
    """
    story.tell(busy="stream")
    assert refused(story) == {"supply"}
    assert refused(story, attended=True) == {"supply"}
    story.ask("fill", litres=20.0)
    story.run(8.0)
    story.tell(busy="")
    story.run(1.0)
    assert story.phase is FILLING


def test_a_fill_under_way_is_not_ended_by_another_that_begins(filling: Story) -> None:
    """Claim (W24): the check is before the start; what runs has the supply."""
    filling.tell(busy="stream")
    filling.run(30.0)
    assert filling.phase is FILLING


# --- P05: simulation ---


def test_a_simulated_node_and_a_real_engine_do_not_go_together(story: Story) -> None:
    """Claim (P05): no fill starts, attended or not, until both sides are of one world."""
    story.feed(Here(Presence(STATION, "node", "boot-a", True, simulated=True)))
    assert refused(story) == {"world"}
    assert refused(story, attended=True) == {"world"}
    story.feed(presence(True))
    assert fills(story)


def test_a_simulated_engine_drives_no_real_node() -> None:
    """Claim (P05): simulation never opens a real valve; with a simulated node it may."""
    story = station(simulated=True)
    assert refused(story) == {"world"}
    assert story.done(SendPermit) == []
    story.feed(Here(Presence(STATION, "node", "boot-a", True, simulated=True)))
    assert fills(story)


def test_a_last_will_knows_nothing_of_pins(story: Story) -> None:
    """Claim: word that a node is gone does not change the world it was of."""
    story.feed(Here(Presence(STATION, "node", "boot-a", True, simulated=True)))
    story.feed(presence(False))
    assert story.station.node_simulated


# --- C13, C11: record and storm ---


def test_a_record_that_is_not_kept_is_told_and_ends_nothing(filling: Story) -> None:
    """Claim (C13): closing and alarms go on; the alarm goes when the record is well."""
    filling.tell(record="the disk is full")
    filling.run(2.0)
    assert filling.alarm("record-ill") == "B"
    assert filling.phase is FILLING
    filling.edge(wet=True)
    assert not filling.relay
    assert filling.alarm("leak") == "B"
    filling.tell().run(1.0)
    assert filling.alarm("record-ill") == "D"


@pytest.mark.parametrize(("rate", "alarm"), [(30.0, "A"), (30.1, "B"), (1e9, "B")])
def test_a_storm_of_nonsense_is_told_above_its_rate(
    filling: Story, rate: float, alarm: str
) -> None:
    """Claim (C11): what nobody can read is counted and told, and the fill goes on."""
    filling.tell(rejected_per_min=rate)
    filling.run(2.0)
    assert filling.alarm("storm") == alarm
    assert filling.phase is FILLING
    filling.tell().run(1.0)
    assert filling.alarm("storm") in ("A", "D")


# --- attended ---


def test_an_attended_fill_starts_where_an_unattended_one_is_refused_for_just_that() -> None:
    """Claim: with everything wrong that a person beside the tank makes up for, the unattended fill
    names exactly the rows marked, and says that one may stay; the attended one starts.
    """
    plan = full_plan(people_check=True, tank_change_c=inf)
    story = Story(plan=plan, before_l=LOW_L, slug_c=0.0).begin()
    story.fill(60.0).finish(600.0)  # the incoming thermometer does not answer
    story.edge(high=False)
    story.desk(False)
    story.tell(proven_s={}, cartridge_l=9000.0, people_s=-inf)
    marked = {row.key for row in PERMISSIVES if row.unattended_only}
    assert refused(story) == marked
    assert "stay beside the tank" in story.done(FillRefused)[-1].text
    reply = story.ask("fill", litres=20.0, attended=True)
    assert "stay beside the tank" in reply.text
    assert reply.data["attended"] is True
    story.until(FILLING)
    assert story.data()["fill"]["attended"] is True


@pytest.mark.parametrize("word", [None, "yes", 1, "true", 0, [True]])
def test_only_a_plain_true_is_attended(story: Story, word: object) -> None:
    """Claim: whatever else is said, a fill is unattended: the stricter of the two."""
    assert story.ask("fill", litres=20.0, attended=word).data["attended"] is False


def test_a_refusal_for_anything_more_offers_no_attended_fill(story: Story) -> None:
    """Claim: a wet floor is not made up for by standing in it."""
    story.edge(wet=True)
    story.edge(wet=False)
    story.run(1.0)
    story.ask("reset")
    story.edge(high=True)
    story.tell(proven_s={})
    assert refused(story) == {"float", "proof"}
    assert "stay beside" not in story.done(FillRefused)[-1].text


def test_an_attended_fill_is_watched_like_any_other(story: Story) -> None:
    """Claim: whatever closes, closes."""
    assert fills(story, attended=True)
    story.edge(wet=True)
    assert not story.relay
    assert story.phase is STOPPED
