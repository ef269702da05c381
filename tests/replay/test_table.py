from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.core.reading import Fault, Kind
from monitor.replay import frames as frames_module
from monitor.replay.frames import RecordingError, lines_of, noise_m
from monitor.replay.table import read_table

KINDS = {
    "meter": Kind.FLOW, "depth": Kind.LEVEL, "incoming": Kind.TEMPERATURE, "floor": Kind.LEAK,
    "float_high": Kind.FLOAT,
}  # fmt: skip
HEAD = "t_s,sensor,value\n"


def read(text: str, per_litre: float = 450.0) -> Any:
    return read_table(text.encode().splitlines(), "it.csv", KINDS, per_litre)


def sample(frame: Any, sensor: str) -> Any:
    return next(s for s in frame.samples if s.sensor == sensor)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("time,what,how\n1,meter,2\n", 1, "t_s,sensor,value"),
        ("1,meter,2\n", 1, "t_s,sensor,value"),
        (HEAD + "0,meter,1\n1,metre,2\n", 3, "there is no sensor 'metre' in the config"),
        (HEAD + "0,meter,1\n1,meter\n", 3, "2 columns"),
        (HEAD + "0,meter,1,extra\n", 2, "4 columns"),
        (HEAD + "0,meter," + "1" * 300 + "\n", 2, "at most 200 characters"),
        (HEAD + "0,depth,nan\n", 2, "value is 'nan'"),
        (HEAD + "0,depth,inf\n", 2, "a finite number"),
        (HEAD + "0,depth,\n", 2, "value is ''"),
        (HEAD + "soon,depth,0.3\n", 2, "t_s is 'soon'"),
        (HEAD + "1e300,depth,0.3\n", 2, "a time of 1e+300 s"),
        (HEAD + "0,meter,1\n5,meter,2\n\n4.9,meter,3\n", 5, "the time goes back from 5 to 4.9 s"),
        (HEAD + "0,floor,2\n", 2, "0 or 1"),
        (HEAD + "0,valve,0.5\n", 2, "0 or 1"),
        (HEAD + "0,meter,-1\n", 2, "a pulse count of -1"),
    ],
)  # fmt: skip
def test_a_bad_line_is_named_with_what_is_allowed(text: str, line: int, words: str) -> None:
    """Claim: whoever made the file learns which line is wrong, and what would be right."""
    with pytest.raises(RecordingError) as caught:
        read(text)
    told = str(caught.value)
    assert f"it.csv, line {line}:" in told
    assert words in told
    assert "allowed: " in told
    assert caught.value.exit_code == 2


def test_a_file_without_readings_is_refused(tmp_path: Path) -> None:
    """Claim: an empty file, or one with nothing but its columns, is told and not played."""
    empty = tmp_path / "empty.csv"
    empty.write_text("\n \n")
    with pytest.raises(RecordingError, match="the file is empty"):
        lines_of(empty)
    with pytest.raises(RecordingError, match="there is no reading in it"):
        read(HEAD)
    with pytest.raises(RecordingError, match="cannot be read"):
        lines_of(tmp_path / "gone.csv")


def test_a_file_that_is_too_large_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Claim: size and lines are bounded before anything is read into memory as numbers."""
    path = tmp_path / "long.csv"
    path.write_text(HEAD + "0,meter,1\n" * 20)
    monkeypatch.setattr(frames_module, "LINES_MAX", 20)
    with pytest.raises(RecordingError, match="21 lines are too many"):
        lines_of(path)
    monkeypatch.setattr(frames_module, "SIZE_MAX", 30)
    with pytest.raises(RecordingError, match="bytes are too many"):
        lines_of(path)


def test_a_table_as_other_programs_write_it_is_read() -> None:
    """Claim: a byte-order mark, CR LF, spaces and blank lines are no mistakes (RFC 4180)."""
    plain = read(HEAD + "0,meter,0\n1,meter,75\n")
    other = read("\ufefft_s, sensor ,VALUE\r\n\r\n0, meter ,0.0\r\n1,meter,75\r\n\r\n")
    assert other.frames == plain.frames


def test_the_flow_is_the_pulses_over_their_time() -> None:
    """Claim: 75 pulses a second of 450 a litre are 10 L/min, at once and at any pace."""
    for pace_s in (1, 10, 30):
        rows = "".join(f"{t},meter,{t * 75}\n" for t in range(0, 10 * pace_s, pace_s))
        recording = read(HEAD + rows)
        flows = [sample(f, "meter").value for f in recording.frames if f.t_s > 0]
        assert flows == pytest.approx([10.0] * 9)
        assert recording.period_s == pace_s


def test_a_slow_meter_is_not_seen_flickering() -> None:
    """Claim: at two pulses in three seconds the flow is told as one number, not as on and off."""
    rows = "".join(f"{t},meter,{2 * t // 3}\n" for t in range(60))
    flows = [sample(f, "meter").value for f in read(HEAD + rows, 20.0).frames if f.t_s > 5]
    assert flows == pytest.approx([2.0] * len(flows))


def test_a_stop_is_seen_in_the_next_reading() -> None:
    """Claim: a meter that stands still reads as no flow one second later, whatever came before."""
    rows = "".join(f"{t},meter,{min(t, 10) * 75}\n" for t in range(15))
    flows = {f.t_s: sample(f, "meter").value for f in read(HEAD + rows).frames}
    assert flows[10] == pytest.approx(10.0)
    assert all(flows[t] < 0.5 for t in range(11, 15))


def test_a_counter_that_begins_anew_goes_on() -> None:
    """Claim: after a restart of the counter no litre is lost and none is made up; and pulses of
    water that runs back are counted, as a meter counts them that knows no direction.
    """
    restarted = read(HEAD + "0,meter,1000\n1,meter,1075\n2,meter,70\n3,meter,145\n")
    assert [sample(f, "meter").count for f in restarted.frames][-4:] == [1000, 1075, 1145, 1220]
    back = read(HEAD + "0,meter,1000\n1,meter,1075\n2,meter,1065\n3,meter,1055\n")
    assert [sample(f, "meter").count for f in back.frames][-4:] == [1000, 1075, 1085, 1095]


def test_what_is_read_seldom_stands_only_as_long_as_it_may() -> None:
    """Claim: a float stands until it changes, a thermometer until its next value is overdue, and a
    level counts only in the pass in which it was read.
    """
    rows = ["0,float_high,0", "0,incoming,25", "0,depth,0.3"]
    for t_s in range(61):
        rows.append(f"{t_s},meter,{t_s * 75}")
        if t_s in (10, 20):
            rows += [f"{t_s},incoming,25", f"{t_s},depth,0.3"]
    by_time = {f.t_s: f for f in read(HEAD + "\n".join(rows)).frames}
    assert sample(by_time[60], "float_high").value == 0.0
    assert sample(by_time[54], "incoming").value == 25.0
    assert sample(by_time[56], "incoming").fault is Fault.MISSING  # 36 s, at one in ten
    assert sample(by_time[10], "depth").value == 0.3
    assert sample(by_time[11], "depth").fault is Fault.MISSING


def test_a_meter_that_falls_silent_takes_nothing_with_it() -> None:
    """Claim: passes go on without their leading sensor, so that a later leak is still seen."""
    rows = [f"{t},meter,{t * 75}\n{t},floor,0" for t in range(20)]
    rows += [f"{t},floor,{int(t >= 40)}" for t in range(20, 60)]
    last = read(HEAD + "\n".join(rows)).frames[-1]
    assert sample(last, "floor").value == 1.0
    assert sample(last, "meter").fault is Fault.MISSING


def test_noise_is_measured_beside_the_rise() -> None:
    """Claim: the noise found is that put in (2 mm, within a tenth), whatever the water does; too
    few levels say nothing; and clean levels are never trusted better than their own step.
    """
    chance = random.Random(3)
    noisy = [0.27 + 0.0001 * t + chance.gauss(0.0, 0.002) for t in range(2000)]
    assert noise_m(noisy) == pytest.approx(0.002, rel=0.1)
    assert noise_m(noisy[:20]) == 0.0
    assert noise_m([0.27 + 0.0001 * t for t in range(200)]) == pytest.approx(0.0001)


@pytest.mark.parametrize("unit", [b"\xff\xfe", b"\x00", b"\xf0\x9f\x92\xa7"])
def test_bytes_that_are_no_text_are_told_like_any_other(unit: bytes) -> None:
    """Claim: no bytes get past the reader as an error of Python's own."""
    lines = [HEAD.encode(), b"0," + unit + b",1"]
    with pytest.raises(RecordingError, match="line 2"):
        read_table(lines, "it.csv", KINDS, 450.0)


def test_sub_second_readings_are_read_as_they_come(play: Callable[..., Any]) -> None:
    """Claim: a recording at 10 Hz is watched as one at 1 Hz: it fills to the mark without alarm."""
    rows = ["t_s,sensor,value", "0,valve,0", "5,valve,1"]
    litres = 0.0
    for tenth in range(7000):
        t_s = tenth / 10
        rows.append(f"{t_s},meter,{int(litres * 450)}")
        rows.append(f"{t_s},depth,{0.52 + litres / 1400:.6f}")
        litres += 10.0 / 600.0 if t_s >= 5.0 else 0.0
    told = play("\n".join(sorted(rows[1:], key=lambda r: float(r.split(",")[0]))).join(
        ["t_s,sensor,value\n", ""]))  # fmt: skip
    assert [c["cause"] for c in told.of("close")] == ["mark"]
    assert told.close("mark") == pytest.approx(5 + 70 * 6, abs=8)
