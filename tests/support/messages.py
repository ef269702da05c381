"""Every message the link carries, as Hypothesis strategies over what its readers accept."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from monitor.core.exchange import (
    AlarmNotice,
    GuardReport,
    Message,
    Permit,
    PlugOrder,
    PlugState,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Status,
    Way,
    Withdraw,
)
from monitor.core.reading import Fault, Kind, Sample
from monitor.link.plugs import Plugs, PlugTopics

MAX_INT = 2**53 - 1
ids = st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)
sensor_ids = st.from_regex(r"[a-z][a-z0-9_]{0,23}", fullmatch=True)
tokens = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=64)
lines = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=300)
seqs = st.integers(0, MAX_INT)
uptimes = st.floats(0.0, 1e9)
plain = st.none() | st.booleans() | st.integers(-MAX_INT, MAX_INT) | texts
numbers = st.floats(allow_nan=False, allow_infinity=False)
json_data = st.dictionaries(
    texts,
    st.recursive(
        plain | numbers, lambda inner: st.lists(inner) | st.dictionaries(texts, inner), max_leaves=8
    ),
    max_size=5,
)
# Times are whole microseconds: that is what the format promises to bring back unchanged.
microseconds = st.integers(0, 10**15).map(lambda us: us / 1e6)


@st.composite
def samples(draw: st.DrawFn, sensor: str, uptime_s: float) -> Sample:
    """Draw a sample taken at or before `uptime_s`."""
    kind = draw(st.sampled_from(Kind))
    at_s = round(uptime_s - draw(st.integers(0, 10**9)) / 1e6, 6)
    count = draw(st.none() | seqs) if kind is Kind.FLOW else None
    if draw(st.booleans()):
        return Sample(sensor, kind, at_s, None, draw(st.sampled_from(Fault)), count)
    match kind:
        case Kind.FLOAT | Kind.LEAK:
            value = float(draw(st.booleans()))
        case Kind.FLOW:
            value = draw(st.integers(0, 10**9)) / 1e6  # whole microlitres a minute
        case _:
            value = draw(numbers)
    return Sample(sensor, kind, at_s, value, None, count)


@st.composite
def packs(draw: st.DrawFn) -> ReadingPack:
    """Draw a reading pack with every sensor in it at most once."""
    uptime_s = draw(st.integers(0, 10**14).map(lambda us: us / 1e6))
    names = draw(st.lists(sensor_ids, unique=True, max_size=20))
    return ReadingPack(
        station=draw(ids),
        node=draw(ids),
        boot=draw(tokens),
        seq=draw(seqs),
        uptime_s=uptime_s,
        samples=tuple(draw(samples(name, uptime_s)) for name in names),
        valve_open=draw(st.booleans()),
        edge=draw(st.booleans()),
        drain_open=draw(st.booleans()),
    )


HEATER = PlugTopics(
    "river", "heater", "plugs/river-heater/order", "ON", "OFF", "plugs/river-heater/state", "1", "0"
)
PUMP = PlugTopics(
    "river", "pump", "keller/pumpe/befehl", "an", "aus", "keller/pumpe/läuft", "läuft", "steht"
)
PLUGS = (HEATER, PUMP)
KNOWN_PLUGS = Plugs(PLUGS)

ways = st.sampled_from(Way)
plug_names = st.sampled_from(["heater", "pump"])
BY_TYPE: dict[type[Message], st.SearchStrategy[Message]] = {
    ReadingPack: packs(),
    Permit: st.builds(
        Permit, ids, tokens, seqs, tokens, uptimes, st.floats(0.0, 3600.0), tokens, ways
    ),
    Withdraw: st.builds(Withdraw, ids, tokens, seqs, tokens, tokens, lines, st.booleans(), ways),
    GuardReport: st.builds(
        GuardReport,
        ids,
        ids,
        tokens,
        uptimes,
        st.booleans(),
        st.none() | tokens,
        st.none() | lines,
        texts,
        ways,
    ),
    Presence: st.builds(Presence, ids, ids, tokens, st.booleans(), st.booleans()),
    Request: st.builds(
        Request, ids, ids, st.from_regex(r"[a-z]{1,16}", fullmatch=True), lines, json_data
    ),
    Reply: st.builds(Reply, ids, ids, st.booleans(), texts, json_data),
    Status: st.builds(Status, ids, json_data),
    AlarmNotice: st.builds(AlarmNotice, ids, json_data),
    PlugOrder: st.builds(PlugOrder, st.just("river"), plug_names, st.booleans()),
    PlugState: st.builds(PlugState, st.just("river"), plug_names, st.booleans()),
}
messages = st.one_of(*BY_TYPE.values())


def pack(seq: int = 1, *, edge: bool = False, station: str = "river") -> ReadingPack:
    """Return a small reading pack of the invented river tank."""
    return ReadingPack(
        station,
        "river-node",
        "b0",
        seq,
        12.5,
        (Sample("high", Kind.FLOAT, 12.5, 0.0), Sample("inlet", Kind.FLOW, 12.5, 9.87, count=seq)),
        valve_open=False,
        edge=edge,
    )


# One of each, for tests that need a message and not all of them.
EXAMPLES: tuple[Message, ...] = (
    pack(),
    replace(pack(2, edge=True), drain_open=True),
    Permit("river", "e0", 3, "b0", 12.5, 3.0, "f0"),
    Withdraw("river", "e0", 4, "b0", "f0", "W06", False),
    GuardReport("river", "river-node", "b0", 13.0, True, "f0", None, "open"),
    Presence("river", "engine", "e0", True),
    Request("river", "r1", "fill", "a volunteer", {"litres": 120.5}),
    Reply("river", "r1", True, "filling", {"until": None}),
    Status("river", {"phase": "filling"}),
    AlarmNotice("river", {"rule": "W06", "state": "raised"}),
    Permit("river", "e0", 5, "b0", 12.5, 3.0, "f0", Way.OUT),
    Withdraw("river", "e0", 6, "b0", "f0", "W21", False, Way.OUT),
    GuardReport("river", "river-node", "b0", 13.0, False, "f0", "W21", "shut", Way.OUT),
    Presence("river", "node", "b0", True, simulated=True),
)
