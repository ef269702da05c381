"""The rule table and the permissives: complete, told in words, each armed where it must be."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import pytest

from monitor.core.guard import GuardState, Tick
from monitor.core.hazards import BY_KEY, RULES, Picture, Response, Rule, Severity
from monitor.core.limits import DEFAULTS, LIMITS
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES, failing
from monitor.core.phases import AFTER_CLOSING, AT_REST, EVERY, UNDER_WAY, Phase
from monitor.core.picture import draw
from monitor.core.plan import Station
from support.stories import TRIPS, river_plan

WELL = Picture(
    now_s=1000.0,
    phase=Phase.FILLING,
    temp_c=25.0,
    flow_lpm=10.0,
    valve_open=True,
    open_for_s=100.0,
    delivered_l=100.0,
    need_l=420.0,
    volume_limit_l=449.2,
    elapsed_s=100.0,
    time_limit_s=3000.0,
    purged=True,
    low_c=23.0,
    high_c=27.0,
    scald_c=43.0,
    flow_max_lpm=25.0,
)
AT_EASE = replace(WELL, phase=Phase.IDLE, flow_lpm=0.0, valve_open=False, shut_for_s=1000.0)
AFTER = replace(AT_EASE, phase=Phase.STOPPED)


def rule(key: str) -> Rule:
    """Return a row by its key."""
    return RULES[BY_KEY[key]]


# One picture a row in which its condition is true; the base beside it is well.
RAISED: dict[str, tuple[Picture, dict[str, object]]] = {
    "leak": (WELL, {"leak_wet": True}),
    "valve-flows": (AFTER, {"flow_lpm": 0.5}),
    "valve-open": (AFTER, {"valve_open": True}),
    "seep": (AT_EASE, {"flow_lpm": 0.5}),
    "scald": (WELL, {"temp_c": 43.0}),
    "over-volume": (WELL, {"delivered_l": 448.87}),  # a third of a litre is still to come
    "float-early": (WELL, {"float_high": True}),
    "over-mark": (replace(WELL, to_mark=False), {"float_high": True}),
    "over-time": (WELL, {"elapsed_s": 3000.1}),
    "float-unread": (WELL, {"float_fresh": False}),
    "leak-unread": (WELL, {"leak_fresh": False}),
    "engine-late": (WELL, {"overslept": True}),
    "broker-lost": (WELL, {"silent_s": 2.0, "link_up": False}),
    "node-gone": (WELL, {"silent_s": 2.0, "node_gone": True}),
    "node-silent": (WELL, {"silent_s": 2.0}),
    "interrupted": (AT_EASE, {"interrupted": True}),
    "twins": (AT_EASE, {"twins": True}),
    "hot": (WELL, {"temp_c": 27.1}),
    "cold": (WELL, {"temp_c": 22.9}),
    "no-flow": (WELL, {"flow_lpm": 0.49}),
    "temp-unread": (WELL, {"temp_fresh": False}),
    "flow-unread": (WELL, {"flow_fresh": False}),
    "flow-impossible": (WELL, {"flow_lpm": 25.1}),
    "node-quiet": (AT_EASE, {"silent_s": 2.0}),
    "over-float": (WELL, {"over_high": True}),
    "over-unread": (WELL, {"over_fresh": False}),
    "pump-off": (AT_EASE, {"pump_for_s": DEFAULTS.pump_confirm_s}),
    **{
        f"guard-{cause.lower()}": (WELL, {"guard_cause": cause})
        for cause in (
            "C01", "C02", "C03", "C06", "C12", "G01", "S01", "S02", "W01", "W06"
        )
    },
}


def test_every_row_is_told_in_words() -> None:
    """Claim: each rule has its message, cause and remedy, and no message is without a rule."""
    assert set(TEXTS) == set(BY_KEY)
    for text in TEXTS.values():
        for words in (text.message, text.cause, text.todo):
            assert words[0].isupper()
            assert words.endswith((".", "!", "times."))


def test_every_row_is_sound() -> None:
    """Claim: a key and an id of the catalogue each, armed somewhere, closing rules at least high,
    a hold and its bound both named or both absent.
    """
    assert len(RULES) == len(BY_KEY) == len(RAISED)
    for row in RULES:
        assert re.fullmatch(r"[a-z0-9-]+", row.key)
        assert re.fullmatch(r"[WTSCPG]\d\d", row.id)
        assert row.armed
        assert row.armed <= EVERY
        assert bool(row.hold) is bool(row.bound)
        assert {row.hold, row.bound} - {""} <= set(LIMITS)
        if row.response is Response.CLOSE:
            assert row.severity >= Severity.HIGH
            assert row.latching
        if row.response is Response.HOLD:
            assert row.severity is Severity.MEDIUM
            assert Phase.FILLING in row.armed


@pytest.mark.parametrize("key", RAISED)
def test_every_condition_is_true_in_its_case_and_false_in_the_well_one(key: str) -> None:
    """Claim: each condition answers to its own cause, and to nothing when all is well."""
    base, changes = RAISED[key]
    case = replace(base, **changes)  # type: ignore[arg-type]
    assert base.phase in rule(key).armed
    assert rule(key).raised(case)
    assert not rule(key).raised(base)


@pytest.mark.parametrize("key", RAISED)
def test_every_row_can_clear(key: str) -> None:
    """Claim: with everything well again at rest, each clear condition is true."""
    assert rule(key).cleared(AT_EASE)


@pytest.mark.parametrize("key", ["leak", "valve-flows", "valve-open", "seep", "float-early",
                                 "over-float", "over-unread", "pump-off",
                                 "broker-lost", "node-gone", "node-silent", "float-unread",
                                 "leak-unread", "temp-unread", "flow-unread"])  # fmt: skip
def test_what_is_still_true_does_not_clear(key: str) -> None:
    """Claim: raised and cleared are never true of one picture, where both look at the present."""
    base, changes = RAISED[key]
    assert not rule(key).cleared(replace(base, **changes))  # type: ignore[arg-type]


def test_in_a_well_picture_no_rule_is_raised() -> None:
    """Claim: a healthy fill, a healthy rest and a healthy stop raise nothing at all."""
    for picture in (WELL, AT_EASE, AFTER):
        assert [r.key for r in RULES if picture.phase in r.armed and r.raised(picture)] == []


@pytest.mark.parametrize("phase", sorted(UNDER_WAY))
def test_silence_of_any_kind_closes_in_every_phase_of_a_fill(phase: Phase) -> None:
    """Claim: whichever of link, echo and last will speak, a silence raises exactly one of the
    three, and it closes.
    """
    for up, missing, gone in itertools.product((True, False), repeat=3):
        picture = replace(WELL, phase=phase, silent_s=DEFAULTS.permit_ttl_s, link_up=up,
                          echo_missing=missing, node_gone=gone)  # fmt: skip
        raised = [r for r in RULES if r.key in ("broker-lost", "node-gone", "node-silent")
                  and phase in r.armed and r.raised(picture)]  # fmt: skip
        assert len(raised) == 1
        assert raised[0].response is Response.CLOSE


def test_top_means_water_that_cannot_be_stopped() -> None:
    """Claim: top priority is kept for water on the floor or at the second float, and for a valve
    that does not shut.
    """
    top = {r.key for r in RULES if r.severity is Severity.TOP}
    assert top == {"leak", "valve-flows", "valve-open", "over-float", "guard-w06", "guard-w01"}


def test_the_leak_is_always_armed() -> None:
    """Claim (W06): fill or no fill."""
    assert rule("leak").armed == EVERY


def test_a_valve_is_watched_whenever_it_should_be_shut() -> None:
    """Claim: after a close command by W04, at rest by W05, so that no phase with a shut valve is
    unwatched.
    """
    assert rule("valve-flows").armed | rule("seep").armed == EVERY - {Phase.FILLING}
    assert rule("valve-flows").armed == AFTER_CLOSING
    assert rule("seep").armed == AT_REST


def test_every_cause_a_guard_can_give_has_a_rule() -> None:
    """Claim: what the guard shuts for by itself is known to the engine. The mark is no alarm; C05,
    a node's own farewell, is seen as its silence or restart.
    """
    from_trips = {cause for pair in TRIPS.values() for cause in pair} - {"mark"}
    from_guard = {"C01", "C02", "C03", "C06", "C12", "G01"}
    assert Tick().lapse_cause in from_guard
    assert GuardState("x").cause == ""
    keys = {f"guard-{cause.lower()}" for cause in from_trips | from_guard}
    assert keys == {key for key in BY_KEY if key.startswith("guard-")}


# --- edges of conditions ---


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        ("scald", {"temp_c": 42.99}),
        ("scald", {"temp_c": 50.0, "temp_fresh": False}),
        ("hot", {"temp_c": 27.0}),
        ("hot", {"temp_c": 30.0, "purged": False}),
        ("hot", {"temp_c": 30.0, "temp_fresh": False}),
        ("cold", {"temp_c": 23.0}),
        ("cold", {"temp_c": 10.0, "purged": False}),
        ("cold", {"temp_c": 10.0, "temp_fresh": False}),
        ("over-volume", {"delivered_l": 448.86}),
        ("over-volume", {"delivered_l": 449.2, "flow_lpm": 0.0}),
        ("over-volume", {"delivered_l": 449.2, "flow_fresh": False}),
        ("over-time", {"elapsed_s": 3000.0}),
        ("no-flow", {"flow_lpm": 0.5}),
        ("no-flow", {"flow_lpm": 0.0, "open_for_s": 1.0}),
        ("no-flow", {"flow_lpm": 0.0, "flow_fresh": False}),
        ("flow-impossible", {"flow_lpm": 25.0}),
        ("flow-impossible", {"flow_lpm": 90.0, "flow_fresh": False}),
        ("float-early", {"float_high": True, "delivered_l": 332.0}),
        ("float-early", {"float_high": True, "to_mark": False}),
        ("float-early", {"float_high": True, "float_fresh": False}),
        ("over-mark", {"float_high": True}),
        ("over-mark", {"float_high": True, "to_mark": False, "float_fresh": False}),
        ("float-unread", {"float_fresh": False, "silent_s": 1.3}),
        ("leak-unread", {"leak_fresh": False, "silent_s": 1.3}),
        ("temp-unread", {"temp_fresh": False, "silent_s": 1.3}),
        ("flow-unread", {"flow_fresh": False, "silent_s": 1.3}),
        ("over-unread", {"over_fresh": False, "silent_s": 1.3}),
        ("node-silent", {"silent_s": 1.89}),
        ("node-gone", {"node_gone": True, "silent_s": 1.89}),
        ("broker-lost", {"link_up": False, "silent_s": 1.89}),
    ],
)
def test_just_not(key: str, changes: dict[str, object]) -> None:
    """Claim: at the very edge, on a stale value, or while somebody else's fault explains it, a
    condition is not true.
    """
    assert not rule(key).raised(replace(WELL, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("key", ["valve-flows", "valve-open"])
def test_a_closing_valve_has_its_time(key: str) -> None:
    """Claim (W04): until closing_s and shut_grace_s have passed, and been heard of, a valve may
    still be on its way.
    """
    wrong = replace(AFTER, valve_open=True, flow_lpm=5.0)
    grace_s = wrong.closing_s + DEFAULTS.shut_grace_s
    assert not rule(key).raised(replace(wrong, shut_for_s=grace_s))
    assert rule(key).raised(replace(wrong, shut_for_s=grace_s + 0.01))
    assert not rule(key).raised(replace(wrong, shut_for_s=grace_s + 5.0, silent_s=5.0))


def test_a_restarted_node_needs_no_silence() -> None:
    """Claim (C08): another boot is enough."""
    assert rule("node-gone").raised(replace(WELL, node_restarted=True))


# --- permissives ---

SPOILT = {
    "broker": ({"link_up": False}, {"echo_missing": True}),
    "node": ({"silent_s": 1.3}, {"node_gone": True}),
    "float": ({"float_high": True}, {"float_fresh": False}),
    "second-float": ({"over_high": True}, {"over_fresh": False}),
    "leak": ({"leak_wet": True}, {"leak_fresh": False}),
    "temperature": ({"temp_c": 43.0}, {"temp_fresh": False}),
    "meter": ({"flow_lpm": 25.1}, {"flow_fresh": False}),
    "still": ({"flow_lpm": 0.5}, {"flow_fresh": False}),
    "shut": ({"valve_open": True}, {"shut_for_s": 2.9}),
}


def test_all_pass_when_all_is_well() -> None:
    """Claim: at ease nothing keeps a fill from starting."""
    assert failing(AT_EASE) == ()


def test_every_permissive_has_words_and_a_spoiling_case() -> None:
    """Claim: one reason and one remedy each, and no row is untested."""
    assert {row.key for row in PERMISSIVES} == set(SPOILT)
    assert all(row.reason and row.remedy for row in PERMISSIVES)


@pytest.mark.parametrize(("key", "which"), [(k, n) for k in SPOILT for n in (0, 1)])
def test_each_permissive_fails_for_each_of_its_reasons(key: str, which: int) -> None:
    """Claim: one thing wrong is enough, and names its row."""
    picture = replace(AT_EASE, **SPOILT[key][which])  # type: ignore[arg-type]
    assert key in [row.key for row in failing(picture)]


def test_a_station_nobody_has_heard_of_passes_nothing_it_cannot_judge() -> None:
    """Claim: permission starts false."""
    picture = draw(river_plan(), Station(), 0.0)
    assert {row.key for row in failing(picture)} >= {
        "broker", "node", "float", "leak", "temperature", "meter", "still"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        ("leak", {"leak_fresh": False}),
        ("over-float", {"over_fresh": False}),
        ("valve-flows", {"flow_fresh": False}),
        ("valve-open", {"valve_open": True}),
        ("seep", {"flow_fresh": False}),
        ("float-early", {"float_fresh": False}),
        ("flow-impossible", {"flow_lpm": 25.1}),
        ("node-silent", {"silent_s": DEFAULTS.suspect_s}),
        ("broker-lost", {"link_up": False}),
        ("guard-c02", {"link_up": False}),
    ],
)
def test_what_cannot_be_judged_does_not_clear(key: str, changes: dict[str, object]) -> None:
    """Claim: a clear condition wants to see that it is well, with a value it may believe."""
    assert not rule(key).cleared(replace(AT_EASE, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({}, "node-silent"),
        ({"node_gone": True}, "node-gone"),
        ({"echo_missing": True}, "broker-lost"),
        ({"link_up": False, "node_gone": True}, "broker-lost"),
    ],
)
def test_whose_silence_it_is(changes: dict[str, object], key: str) -> None:
    """Claim: no link or no echo is the broker's; a last will the node's; else the node is mute."""
    picture = replace(WELL, silent_s=DEFAULTS.permit_ttl_s, **changes)  # type: ignore[arg-type]
    names = ("broker-lost", "node-gone", "node-silent")
    assert [name for name in names if rule(name).raised(picture)] == [key]


@pytest.mark.parametrize("key", ["valve-flows", "seep"])
def test_a_stale_flow_is_no_flow(key: str) -> None:
    """Claim: a meter that cannot be read accuses no valve."""
    base = AFTER if key == "valve-flows" else AT_EASE
    assert not rule(key).raised(replace(base, flow_lpm=5.0, flow_fresh=False))


@pytest.mark.parametrize(
    "changes",
    [{"flow_lpm": 25.0}, {"shut_for_s": DEFAULTS.check_quiet_s}, {"temp_c": 42.99},
     {"silent_s": 1.29}],
)  # fmt: skip
def test_permissives_pass_at_their_very_edge(changes: dict[str, object]) -> None:
    """Claim: what is just allowed is allowed (a flow at the meter's end still is not 'still')."""
    keys = {row.key for row in failing(replace(AT_EASE, **changes))}  # type: ignore[arg-type]
    assert keys <= ({"still"} if "flow_lpm" in changes else set())
