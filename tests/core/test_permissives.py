"""The checks before the water moves: complete, told in words, each way with its own rows."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import pytest

from monitor.core.exchange import Way
from monitor.core.limits import DEFAULTS
from monitor.core.permissives import PERMISSIVES, Permissive, failing
from monitor.core.phases import Phase
from monitor.core.picture import draw
from monitor.core.plan import Station
from monitor.core.units import S_PER_DAY
from monitor.core.view import Picture
from support.stories import full_plan, river_plan

FILL = Picture(
    now_s=1000.0,
    phase=Phase.CHECKING,
    temp_c=25.0,
    shut_for_s=1000.0,
    need_l=420.0,
    scald_c=43.0,
    flow_max_lpm=25.0,
    level_m=0.27,
    mark_m=0.57,
    low_m=0.2,
    need_room_l=420.0,
    tank_c=25.0,
    tank_low_c=22.0,
    tank_high_c=28.0,
)
DRAIN = replace(FILL, way=Way.OUT)
ROWS = {row.key: row for row in PERMISSIVES}

# What spoils each row, each alone. A row that counts both ways is spoilt both ways.
SPOILT: dict[str, tuple[dict[str, object], ...]] = {
    "broker": ({"link_up": False}, {"echo_missing": True}),
    "node": ({"silent_s": 1.3}, {"node_gone": True}),
    "world": ({"worlds_differ": True},),
    "float": ({"float_high": True}, {"float_fresh": False}),
    "second-float": ({"over_high": True}, {"over_fresh": False}),
    "sump": ({"sump_high": True}, {"sump_high_fresh": False}),
    "leak": ({"leak_wet": True}, {"leak_fresh": False}),
    "level": ({"level_m": 0.581}, {"level_fresh": False}),
    "room": ({"need_l": 436.7}, {"need_room_l": 403.8}, {"need_l": 4.01, "need_room_l": -0.0}),
    "temperature": ({"temp_c": 43.0}, {"temp_fresh": False}),
    "swapped": ({"tank_c": 21.9}, {"tank_c": 28.1}, {"tank_fresh": False}),
    "in-stream": ({"temp_doubted": True},),
    "meter": ({"flow_lpm": 25.1}, {"flow_fresh": False}),
    "still": ({"flow_lpm": 0.5}, {"flow_fresh": False}),
    "shut": ({"valve_open": True}, {"shut_for_s": 2.9}),
    "above-low": ({"low_hit": True}, {"low_fresh": False}, {"level_m": 0.199},
                  {"level_fresh": False}),
    "store": ({"store_full": True}, {"store_fresh": False}),
    "heater": ({"heater_on": True},),
    "supply": ({"supply_busy": True},),
    "proof": ({"proof_age_s": DEFAULTS.proof_days * S_PER_DAY}, {"proof_age_s": inf}),
    "cartridge": ({"cartridge_share": 1.0}, {"cartridge_share": inf}, {"cartridge_share": nan}),
    "people": ({"people_age_s": DEFAULTS.people_s}, {"people_age_s": inf}),
    "desk": ({"desk_gone": True},),
}  # fmt: skip
CASES = [
    (key, way, changes)
    for key, cases in SPOILT.items()
    for way in sorted(ROWS[key].ways)
    for changes in cases
]


def keys(picture: Picture) -> set[str]:
    """Return the keys of the checks that fail."""
    return {row.key for row in failing(picture)}


@pytest.mark.parametrize("picture", [FILL, DRAIN])
def test_all_pass_when_all_is_well(picture: Picture) -> None:
    """Claim: at ease nothing keeps a fill or a drain from starting."""
    assert failing(picture) == ()


def test_every_permissive_has_words_and_a_spoiling_case() -> None:
    """Claim: one reason and one remedy each, at least one way each, and no row is untested."""
    assert set(ROWS) == set(SPOILT)
    assert len(ROWS) == len(PERMISSIVES)
    assert all(row.reason and row.remedy and row.ways for row in PERMISSIVES)


@pytest.mark.parametrize(("key", "way", "changes"), CASES)
def test_each_permissive_fails_for_each_of_its_reasons(
    key: str, way: Way, changes: dict[str, object]
) -> None:
    """Claim: one thing wrong is enough, and names its row."""
    base = FILL if way is Way.IN else DRAIN
    assert key in keys(replace(base, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("row", PERMISSIVES, ids=lambda row: row.key)
def test_a_row_of_one_way_does_not_keep_the_other_from_starting(row: Permissive) -> None:
    """Claim: a full tank may be drained, and a low one filled."""
    for way in set(Way) - row.ways:
        base = FILL if way is Way.IN else DRAIN
        for changes in SPOILT[row.key]:
            assert row.key not in keys(replace(base, **changes))  # type: ignore[arg-type]


def test_what_tells_where_the_water_is_counts_attended_too() -> None:
    """Claim: a person beside the tank replaces exactly the rows about what nobody would be there
    to see, and no row about water, temperature, network or node.
    """
    assert {row.key for row in PERMISSIVES if row.unattended_only} == {
        "in-stream", "proof", "cartridge", "people", "desk",
    }  # fmt: skip


@pytest.mark.parametrize(("key", "way", "changes"), [c for c in CASES if c[1] is Way.IN])
def test_attended_passes_exactly_the_rows_marked(
    key: str, way: Way, changes: dict[str, object]
) -> None:
    """Claim: what an attended fill may start with is what is marked, and nothing else."""
    attended = replace(FILL, way=way, attended=True, **changes)  # type: ignore[arg-type]
    assert (key in keys(attended)) is not ROWS[key].unattended_only


def test_a_station_nobody_has_heard_of_passes_nothing_it_cannot_judge() -> None:
    """Claim: permission starts false, for what every station has and for every option."""
    bare = draw(river_plan(), Station(), 0.0)
    assert keys(bare) >= {
        "broker", "node", "float", "leak", "temperature", "meter", "still", "proof"
    }  # fmt: skip
    full = draw(full_plan(people_check=True), Station(), 0.0)
    assert keys(full) >= keys(bare) | {
        "second-float", "sump", "level", "swapped", "cartridge", "people", "desk"
    }  # fmt: skip
    assert keys(replace(full, way=Way.OUT)) >= {
        "broker", "node", "sump", "leak", "still", "above-low", "store", "heater"
    }  # fmt: skip


def test_what_is_not_fitted_refuses_nothing() -> None:
    """Claim: a row about a part that the config does not have passes, both ways."""
    bare = draw(river_plan(), Station(), 0.0)
    assert not keys(bare) & {
        "second-float", "sump", "level", "room", "swapped", "in-stream", "cartridge", "people",
        "desk", "supply", "world",
    }  # fmt: skip
    assert not keys(replace(bare, way=Way.OUT)) & {"above-low", "store", "heater"}


@pytest.mark.parametrize(
    "changes",
    [
        {"flow_lpm": 0.49},
        {"shut_for_s": DEFAULTS.check_quiet_s},
        {"temp_c": 42.99},
        {"silent_s": 1.29},
        {"level_m": 0.57 + DEFAULTS.level_over_m},
        {"need_l": 436.5},
        {"tank_c": 22.0},
        {"tank_c": 28.0},
        {"tank_c": nan},
        {"proof_age_s": DEFAULTS.proof_days * S_PER_DAY - 1.0},
        {"people_age_s": DEFAULTS.people_s - 1.0},
        {"cartridge_share": 0.999},
        {"way": Way.OUT, "level_m": 0.2},
    ],
)
def test_permissives_pass_at_their_very_edge(changes: dict[str, object]) -> None:
    """Claim: what is just allowed is allowed; a tank's temperature that nobody knows refuses
    nothing by itself. 420 L of room take 420·1.03 + 4 = 436.6 L by a person's word.
    """
    assert keys(replace(FILL, **changes)) == set()  # type: ignore[arg-type]


def test_a_flow_at_the_meters_end_is_possible_and_still_not_standing_still() -> None:
    """Claim: the meter's range includes its end."""
    assert keys(replace(FILL, flow_lpm=25.0)) == {"still"}
