"""What small changes of the requests showed to be unsaid: what is answered, and what is let go."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from monitor.core.alarm import Alarm, AlarmState
from monitor.core.asks import NOTES, VERBS, ask, refusal
from monitor.core.events import Action, AlarmTurned, Answer, Asked, Noted, SwitchPlug
from monitor.core.exchange import PlugOrder, Reply, Way
from monitor.core.facts import VALVE
from monitor.core.fills import begin
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import UNDER_WAY, Phase, Turn
from monitor.core.plan import ALL_NORMAL, Fill, Plan, Station
from monitor.core.view import Picture
from support.stories import LEAK, STATION, full_plan, request, river_plan

PLAN = full_plan()
NOW_S = 10_000.0
FILL = replace(begin(PLAN, "f", "keeper", 100.0, True, NOW_S - 900.0), boot="boot-a")


def asked(
    verb: str,
    station: Station | None = None,
    plan: Plan = PLAN,
    sight: dict[str, Any] | None = None,
    **args: Any,
) -> tuple[Station, Turn | None, Reply, tuple[Action, ...]]:
    """Ask a station that is full to its mark; return the state, the turn, the answer, the rest."""
    station = Station() if station is None else station
    full = Picture(NOW_S, station.phase, level_m=0.57, mark_m=0.57, water_l=798.0)
    picture = replace(full, **(sight or {}))
    given = Asked(request(verb, **args), "new-fill")
    after, turn, (first, *rest) = ask(plan, station, given, picture)
    assert isinstance(first, Answer)
    assert (first.reply.station, first.reply.id) == (STATION, "r")
    return after, turn, first.reply, tuple(rest)


def with_alarms(phase: Phase = Phase.STOPPED, **stand: AlarmState) -> Station:
    """Return a station with some alarms."""
    rows = list(ALL_NORMAL)
    for key, state in stand.items():
        rows[BY_KEY[key.replace("_", "-")]] = Alarm(state, 5.0)
    return Station(phase=phase, alarms=tuple(rows), cause="W06", cause_key="leak")


# --- fill ---


def test_a_fill_is_answered_with_what_was_understood() -> None:
    """Claim: its litres, its identity, whereto, and that it is checked first."""
    after, turn, reply, rest = asked("fill", litres=33.33)
    assert (turn, rest) == (Turn.ASKED, ())
    assert reply.ok
    assert reply.text == "checking, then 33 L up to the mark"
    assert reply.data == {"fill": "new-fill", "need_l": 33.3, "attended": False}
    fill = after.fill
    assert fill is not None
    assert (fill.id, fill.by, fill.need_l, fill.to_mark, fill.asked_s, fill.way) == (
        "new-fill", "keeper", 33.33, True, NOW_S, Way.IN)  # fmt: skip
    assert asked("fill", litres=33.33, to="litres")[2].text == "checking, then 33 L by the meter"


@pytest.mark.parametrize(("said", "taken"), [(True, True), (False, False), ("yes", False),
                                             (1, False), (None, False)])  # fmt: skip
def test_attended_is_said_plainly(said: object, taken: bool) -> None:
    """Claim: only a plain yes makes a fill or a drain attended; the answer says what it means."""
    after, _, reply, _ = asked("fill", litres=20.0, attended=said)
    assert after.fill is not None
    assert after.fill.attended is reply.data["attended"] is taken
    assert reply.text.endswith("; attended: stay beside the tank") is taken
    after, *_ = asked("drain", attended=said)
    assert after.fill is not None
    assert after.fill.attended is taken


@pytest.mark.parametrize(
    ("before", "rested"),
    [
        (None, True),
        (FILL, True),  # never opened
        (replace(FILL, shut_s=NOW_S - PLAN.limits.pipe_rest_s), True),
        (replace(FILL, shut_s=NOW_S - PLAN.limits.pipe_rest_s + 0.5), False),
        (replace(FILL, shut_s=NOW_S), False),
    ],
)
def test_a_pipe_rests_after_a_fill(before: Fill | None, rested: bool) -> None:
    """Claim (T05): exactly pipe_rest_s after the last close command it has cooled, as it has where
    nothing ever ran.
    """
    after, *_ = asked("fill", Station(fill=before), litres=20.0)
    assert after.fill is not None
    assert after.fill.rested is rested


@pytest.mark.parametrize("verb", ["fill", "drain", "change"])
@pytest.mark.parametrize("phase", list(Phase))
def test_one_at_a_time(verb: str, phase: Phase) -> None:
    """Claim (C17): from rest only; the refusal names the phase, and after a stop its cause and the
    remedy.
    """
    station = Station(phase=phase, cause="W06")
    after, turn, reply, rest = asked(verb, station, litres=20.0)
    free = phase in (Phase.IDLE, Phase.DONE)
    assert (reply.ok, turn) == ((True, Turn.ASKED) if free else (False, None))
    if not free:
        assert after is station
        assert rest == ()
        why = f"the station is {phase.value}"
        why += " (W06): reset it first" if phase is Phase.STOPPED else ""
        assert reply.text == f"refused: {why}"


@pytest.mark.parametrize("verb", ["fill", "drain", "change"])
def test_what_cannot_be_is_refused_with_its_reason(verb: str) -> None:
    """Claim (W18): and nothing changes."""
    station = Station()
    after, turn, reply, rest = asked(verb, station, litres=0.5)
    assert (after, turn, rest) == (station, None, ())
    assert not reply.ok
    assert reply.text.startswith("refused: W18: ")


# --- drain ---


@pytest.mark.parametrize("verb", ["drain", "change"])
@pytest.mark.parametrize("drain", ["hose", "pump"])
def test_a_drain_is_answered_with_what_was_understood(verb: str, drain: str) -> None:
    """Claim: its litres and identity, out, by no mark; whoever holds a hose stays with it, and is
    told whose hands it is in; a change is the first half of a fill.
    """
    after, turn, reply, _ = asked(verb, plan=full_plan(drain=drain), litres=33.33)
    assert turn is Turn.ASKED
    assert reply.ok
    hose = drain == "hose"
    by = ", by your hose: brimwatch watches and tells, the hose is in your hands" if hose else ""
    assert reply.text == f"checking, then 33 L out{by}"
    assert reply.data == {"fill": "new-fill", "need_l": 33.3}
    fill = after.fill
    assert fill is not None
    assert (fill.id, fill.by, fill.need_l, fill.to_mark, fill.asked_s, fill.way) == (
        "new-fill", "keeper", 33.33, False, NOW_S, Way.OUT)  # fmt: skip
    assert fill.attended is hose
    assert fill.refill is (verb == "change")


@pytest.mark.parametrize("heater", ["", "other", "heater"])
@pytest.mark.parametrize("off", [True, False])
def test_a_drain_switches_off_a_heater_of_ours(heater: str, off: bool) -> None:
    """Claim (W22): by its plug, on or off; what it was is kept, to be put back; no other heater is
    switched.
    """
    after, _, _, rest = asked("drain", Station(heater_off=off), full_plan(heater=heater))
    ours = heater == "heater"
    orders = [a.order for a in rest if isinstance(a, SwitchPlug)]
    assert orders == ([PlugOrder(STATION, "heater", False)] if ours else [])
    assert after.fill is not None
    assert after.fill.heater_was_on is (ours and not off)


# --- stop, pump, heater, note, status ---


@pytest.mark.parametrize("phase", list(Phase))
def test_a_stop_is_always_granted(phase: Phase) -> None:
    """Claim (C17): with word of what it does: shut, or nothing to shut."""
    station = Station(phase=phase, fill=FILL)
    after, turn, reply, rest = asked("stop", station)
    assert (after, turn, reply.ok, rest) == (station, Turn.STOP, True, ())
    running = phase in UNDER_WAY or phase is Phase.CHECKING
    assert reply.text == (
        "valve told to shut" if running else f"no fill is under way ({phase.value})")  # fmt: skip


def test_a_pump_that_runs_is_asked_about_no_more() -> None:
    """Claim: a person's word ends the question."""
    station = Station(pump_since_s=5.0)
    after, turn, reply, rest = asked("pump", station)
    assert after == replace(station, pump_since_s=inf)
    assert (turn, reply.ok, reply.text, rest) == (None, True, "noted: the return pump runs", ())


def test_a_status_changes_nothing() -> None:
    """Claim: it is granted, and looking is free."""
    station = Station(pump_since_s=5.0)
    after, turn, reply, rest = asked("status", station)
    assert after is station
    assert (turn, reply.ok, reply.text, rest) == (None, True, "here it is", ())


@pytest.mark.parametrize("state", ["on", "off"])
@pytest.mark.parametrize("was_off", [True, False])
def test_a_persons_word_for_a_heater(state: str, was_off: bool) -> None:
    """Claim (W22): on is on and off is off, where somebody else switches it."""
    station = Station(heater_off=was_off)
    after, turn, reply, rest = asked("heater", station, full_plan(heater="other"), state=state)
    assert after == replace(station, heater_off=state == "off")
    assert (turn, reply.ok, reply.text, rest) == (None, True, f"noted: the heater is {state}", ())


@pytest.mark.parametrize(
    ("heater", "state", "why"),
    [
        ("other", "", "say on or off"),
        ("other", None, "say on or off"),
        ("heater", "off", "the heater's plug tells it"),
        ("heater", "", "the heater's plug tells it"),
        ("", "off", "the config has no heater"),
    ],
)
def test_a_word_for_a_heater_that_is_not_taken(heater: str, state: str | None, why: str) -> None:
    """Claim: with the reason, and nothing changes."""
    station = Station(heater_off=True)
    after, _, reply, _ = asked("heater", station, full_plan(heater=heater), state=state)
    assert after is station
    assert (reply.ok, reply.text) == (False, f"refused: {why}")


@pytest.mark.parametrize(
    ("args", "noted"),
    [
        ({"what": "proof", "part": LEAK}, Noted("proof", LEAK, "keeper")),
        ({"what": "proof", "part": VALVE}, Noted("proof", VALVE, "keeper")),
        ({"what": "cartridge"}, Noted("cartridge", "", "keeper")),
        ({"what": "people"}, Noted("people", "", "keeper")),
        ({"what": "people", "part": LEAK}, Noted("people", "", "keeper")),
    ],
)
def test_a_note_is_kept(args: dict[str, str], noted: Noted) -> None:
    """Claim: what, by whom, and of a proof which part; nothing else changes."""
    station = Station()
    after, turn, reply, rest = asked("note", station, **args)
    assert after is station
    assert (turn, rest) == (None, (noted,))
    assert (reply.ok, reply.text) == (True, f"noted: {noted.what} {noted.part}".rstrip())


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ({}, "note one of proof, cartridge, people"),
        ({"what": "weather"}, "note one of proof, cartridge, people"),
        ({"what": ["proof"]}, "note one of proof, cartridge, people"),
        ({"what": "proof"}, "proofs are of float_high, floor, valve"),
        ({"what": "proof", "part": "kettle"}, "proofs are of float_high, floor, valve"),
    ],
)
def test_a_note_that_is_not_taken(args: dict[str, Any], why: str) -> None:
    """Claim: what can be noted is told."""
    _, _, reply, rest = asked("note", plan=river_plan(), **args)
    assert rest == ()
    assert (reply.ok, reply.text) == (False, f"refused: {why}")
    assert set(NOTES) == {"proof", "cartridge", "people"}


def test_an_unknown_request_is_told_what_there_is() -> None:
    """Claim: thirty-two characters of it are told back, with every verb."""
    station = Station()
    after, turn, reply, rest = asked("x" * 40, station)
    assert after is station
    assert (turn, reply.ok, rest) == (None, False, ())
    assert reply.text == f"unknown request '{'x' * 32}': one of {', '.join(VERBS)}"


def test_setting_aside_is_answered_first() -> None:
    """Claim: the answer, then the alarm that turned; the state is the one with the alarm in it."""
    made = with_alarms(Phase.IDLE, storm=AlarmState.UNACKED)
    after, turn, reply, rest = asked("shelve", made, key="storm", minutes=10, why="known")
    assert reply.ok
    assert turn is None
    assert [type(a) for a in rest] == [AlarmTurned]
    assert after.alarms[BY_KEY["storm"]].state is AlarmState.SHELVED


# --- reset ---


@pytest.mark.parametrize("phase", list(Phase))
def test_a_reset_is_for_what_is_not_under_way(phase: Phase) -> None:
    """Claim: and it forgets what an old guard said, and that the engine slept or was cut off."""
    made = Station(phase=phase, guard_cause="W06", overslept=True, interrupted=True)
    after, turn, reply, rest = asked("reset", made)
    if phase in UNDER_WAY:
        assert after is made
        assert (turn, reply.ok, rest) == (None, False, ())
        assert reply.text == f"refused: a fill is under way ({phase.value})"
        return
    assert (turn, reply.ok, reply.text) == (Turn.RESET, True, "reset")
    assert after == replace(made, guard_cause="", overslept=False, interrupted=False)


def test_a_reset_waits_for_what_closes_and_is_still_true() -> None:
    """Claim (P03): each is named, by its key and in words, an open valve too."""
    made = with_alarms(leak=AlarmState.ACKED, sump_high=AlarmState.UNACKED)
    sight = {"leak_wet": True, "sump_high": True, "valve_open": True}
    after, turn, reply, rest = asked("reset", made, sight=sight)
    assert after is made
    assert (turn, reply.ok, rest) == (None, False, ())
    assert sorted(reply.data["keys"]) == ["leak", "sump-high", "valve-open"]
    words = " ".join(TEXTS[key].message for key in reply.data["keys"])
    assert reply.text == f"refused, still true: {words}"
    assert asked("reset", made, sight={"valve_open": True})[2].data == {"keys": ["valve-open"]}


def test_a_rule_that_never_spoke_keeps_nothing() -> None:
    """Claim: a node that is silent at rest, where nobody was told of it, stands in no reset's way;
    nor does a latch whose condition is true again and has not been raised.
    """
    for made in (with_alarms(), with_alarms(leak=AlarmState.LATCHED_UNACKED)):
        assert asked("reset", made, sight={"silent_s": inf, "leak_wet": True})[2].ok


@pytest.mark.parametrize(
    ("key", "state", "sight", "then"),
    [
        ("leak", AlarmState.UNACKED, {}, AlarmState.NORMAL),
        ("leak", AlarmState.ACKED, {}, AlarmState.NORMAL),
        ("leak", AlarmState.LATCHED_UNACKED, {}, AlarmState.NORMAL),
        ("leak", AlarmState.LATCHED_ACKED, {}, AlarmState.NORMAL),
        ("desk-quiet", AlarmState.RETURNED, {}, AlarmState.NORMAL),
        ("desk-quiet", AlarmState.UNACKED, {"desk_gone": True}, AlarmState.ACKED),
        ("desk-quiet", AlarmState.ACKED, {"desk_gone": True}, AlarmState.ACKED),
        ("desk-quiet", AlarmState.SHELVED, {}, AlarmState.SHELVED),
        ("desk-quiet", AlarmState.OUT_OF_SERVICE, {}, AlarmState.OUT_OF_SERVICE),
        ("desk-quiet", AlarmState.NORMAL, {}, AlarmState.NORMAL),
    ],
)
def test_a_reset_lets_go_of_what_is_over(
    key: str, state: AlarmState, sight: dict[str, bool], then: AlarmState
) -> None:
    """Claim: seen, ended, and let go; what is still true stays, seen, and what people have set
    aside stays there. Each alarm that moved is told, and no other.
    """
    made = with_alarms(**{key.replace("-", "_"): state})
    after, _, reply, rest = asked("reset", made, sight=sight)
    assert reply.ok
    index = BY_KEY[key]
    assert after.alarms[index].state is then
    assert after.alarms[:index] + after.alarms[index + 1:] == ALL_NORMAL[1:]
    rule = RULES[index]
    moved = (AlarmTurned(key, rule.id, rule.severity, after.alarms[index]),)
    assert rest == (moved if then is not state else ())
    if then is AlarmState.ACKED and state is AlarmState.UNACKED:
        assert after.alarms[index].acked_by == "keeper"


@pytest.mark.parametrize(("way", "ended", "kept"), [
    (Way.OUT, "done", False), (Way.OUT, "stopped", False), (Way.OUT, "", True),
    (Way.IN, "done", True), (Way.IN, "", True),
])  # fmt: skip
def test_a_reset_ends_with_a_drain(way: Way, ended: str, kept: bool) -> None:
    """Claim (W23): a drain that has ended is over with it; any other account stays."""
    fill = replace(FILL, way=way, ended=ended)
    after, *_ = asked("reset", Station(phase=Phase.STOPPED, fill=fill))
    assert after.fill == (fill if kept else None)


# --- refusals ---


def test_a_refusal_names_each_check_with_its_remedy() -> None:
    """Claim: in the table's order, with the litres; and the way out, where staying beside the tank
    is one for every check that failed.
    """
    rows = {row.key: row for row in PERMISSIVES}

    def said(*keys: str) -> str:
        return "; ".join(f"{rows[key].reason} ({rows[key].remedy})" for key in keys)

    told = refusal(FILL, ("still", "leak"))
    assert told == f"the pre-fill checks for 100 L did not pass: {said('leak', 'still')}"
    way_out = "; or stay beside the tank and do it attended"
    assert refusal(None, ("people", "desk")) == (
        f"the pre-fill checks did not pass: {said('people', 'desk')}{way_out}")  # fmt: skip
    assert not refusal(FILL, ("leak", "people")).endswith(way_out)
    assert refusal(None, ()) == "the pre-fill checks did not pass: "
