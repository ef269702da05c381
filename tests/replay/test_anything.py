from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.app import plan_of
from monitor.config import Station, loads
from monitor.replay.frames import RecordingError
from monitor.replay.run import replayed
from support.recordings import config_text

SENSORS = ("valve", "meter", "depth", "incoming", "tank", "floor", "float_high")


AIMS: list[dict[str, float]] = [{}, {"litres": 50.0}, {"level_m": 0.4}]


@cache
def river() -> Station:
    return loads(config_text(), "invented").stations["river"]


def play(data: bytes, **target: float) -> list[str]:
    """Play bytes; return the lines as JSON. RecordingError is the only error there may be."""
    aims = {"level_m": target.get("level_m"), "litres": target.get("litres")}
    with TemporaryDirectory() as folder:
        path = Path(folder) / "it"
        path.write_bytes(data)
        lines = replayed(path, river(), plan_of(river()), **aims)
        return [json.dumps(line, allow_nan=False) for line in lines]


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
@example(b"[")
@example(b"[]\n[]")
@example(b"t_s,sensor,value\n0,meter,1")
def test_any_bytes_are_a_recording_or_an_error_of_ours(data: bytes) -> None:
    """Claim: no file makes the reader raise anything but an error with its reason."""
    try:
        lines = play(data)
    except RecordingError as error:
        lines = [f'"summary" of what is wrong: {error}']
    assert '"summary"' in lines[-1]


def number(sensor: str) -> st.SearchStrategy[float]:
    """Return values that a sensor might send, likely and not."""
    if sensor in ("valve", "floor", "float_high"):
        return st.sampled_from([0.0, 1.0])
    if sensor == "meter":
        return st.integers(0, 2**53).map(float) | st.integers(0, 5000).map(float)
    return st.floats(-1e6, 1e6) | st.floats(0.2, 0.7)


row = st.sampled_from(SENSORS).flatmap(lambda s: st.tuples(
    st.sampled_from([0.0, 0.0, 0.5, 1.0, 1.0, 3.0, 30.0, 4000.0]), st.just(s), number(s)
))  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(row, min_size=1, max_size=120), st.sampled_from(AIMS))
def test_any_readings_are_played_to_the_end(
    rows: list[tuple[float, str, float]], target: dict[str, float]
) -> None:
    """Claim: whatever the readings are, and however they jump, the replay ends with its summary,
    its lines are plain JSON in order of time, and intervals hold their median.
    """
    t_s, lines = 0.0, ["t_s,sensor,value"]
    for after_s, sensor, value in rows:
        t_s += after_s
        lines.append(f"{t_s!r},{sensor},{value!r}")
    told = [json.loads(line) for line in play("\n".join(lines).encode(), **target)]
    assert told[-1]["kind"] == "summary"
    times = [line["t_s"] for line in told]
    assert times == sorted(times)
    for line in told:
        if line["kind"] == "forecast":
            assert line["low_s"] <= line["remaining_s"] <= line["high_s"]
