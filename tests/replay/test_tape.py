from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.cli.common import sample_text
from monitor.config import Config, loads
from monitor.core import station as stations
from monitor.core.events import FillBegun, FillEnded, Turned
from monitor.core.plan import Station
from monitor.errors import BrimwatchError
from monitor.journal.rows import InputRecord
from monitor.journal.tape import encode
from monitor.replay.frames import RecordingError
from monitor.replay.tape import Decisions, Step, compared, played, steps
from support.commands import SMALL, brimwatch
from support.recordings import config_text
from support.stories import Story, full_plan


def taped(story: Story) -> tuple[list[InputRecord], list[Step]]:
    """Return a story's last fill as the record keeps it, and what the core did at the time."""
    tape: list[InputRecord] = []
    truth: list[Step] = []
    state, keeping = Station(), False
    for given, now_s in story.inputs:
        result = stations.step(story.plan, state, given, now_s)
        state = result.station
        if keeping:
            tape.append(InputRecord(len(tape) + 1, now_s, *encode(given)))
            truth.append((now_s, state, result.actions))
        if any(isinstance(a, FillBegun) for a in result.actions):
            tape, truth, keeping = [InputRecord(1, now_s, *encode(state))], [], True
            truth.append((now_s, state, ()))
        keeping = keeping and not any(isinstance(a, FillEnded) for a in result.actions)
    return tape, truth


@pytest.mark.parametrize("ending", ["done", "leak", "cold", "silence"])
def test_a_tape_played_again_is_the_same_to_the_last_bit(ending: str) -> None:
    """Claim: state and actions of every step after a round trip through text equal those of the
    fill itself, whatever ended it: nothing the core decides on is lost in the record.
    """
    plan = full_plan()
    story = Story(plan=plan).begin().fill(60.0, room_l=60.0).run(100.0)
    match ending:
        case "leak":
            story.edge(wet=True)
        case "cold":
            story.temp_c = 10.0
        case "silence":
            story.node_alive = False
    story.run(900.0)
    tape, truth = taped(story)
    assert len(tape) > 100
    again = list(steps(plan, tape))
    assert [(at_s, actions) for at_s, _, actions in again] == [
        (at_s, actions) for at_s, _, actions in truth
    ]
    assert again[-1][1] == truth[-1][1]


def test_a_tape_with_a_hole_is_not_played() -> None:
    """Claim: where an input was lost, no decision after it is passed off as the fill's own."""
    tape, _ = taped(Story().begin().fill(60.0, room_l=60.0).run(600.0))
    holed = [*tape[:50], *tape[51:]]
    with pytest.raises(RecordingError, match="lacks its input 51"):
        list(steps(Story().plan, holed))
    with pytest.raises(RecordingError, match="lacks its input 1"):
        list(steps(Story().plan, tape[1:]))
    headless = [replace(line, n=line.n - 1) for line in tape[1:]]
    with pytest.raises(RecordingError, match="not with a state"):
        list(steps(Story().plan, headless))


def test_a_tape_of_nonsense_is_told() -> None:
    """Claim: damaged text is an error of ours with its reason, not one of Python's."""
    tape, _ = taped(Story().begin().fill(60.0, room_l=60.0).run(600.0))
    with pytest.raises(BrimwatchError, match="damaged heard"):
        list(steps(Story().plan, [*tape[:3], InputRecord(4, 1.0, "heard", '{"pack":{}}')]))
    with pytest.raises(BrimwatchError, match="unknown kind"):
        list(steps(Story().plan, [InputRecord(1, 1.0, "rumour", "{}")]))


def test_differences_are_seen() -> None:
    """Claim: another phase, another alarm, another time or one too few is a difference."""
    found = Decisions(phases=[(10.0, "closing")], alarms=[(11.0, "W06")])
    assert len(compared(found, [], [], 0.0, 20.0)) == 2
    story = Story().begin().fill(60.0, room_l=60.0).run(900.0)
    turned = [(at_s, a) for at_s, a in story.log if isinstance(a, Turned)]
    assert [a.phase.value for _, a in turned][-1] == "done"


# --- the whole program's own record ---


@pytest.fixture
def config(tmp_path: Path) -> Config:
    (tmp_path / "river.toml").write_text(config_text())
    return loads(config_text(), "river.toml")


@pytest.mark.parametrize("fault", [None, "cold", "hose-off", "node-killed"])
def test_a_recorded_fill_decides_the_same_again(
    fault: str | None, config: Config, tmp_path: Path
) -> None:
    """Claim: a fill of the whole program, kept by its journal and played again, has the phases and
    alarms of the record at the record's times, and ends for the same cause.
    """
    args = ("simulate", "--config", "river.toml", "--once", "--speed", "max", "--json",
            "--journal", "fills.db", *SMALL)  # fmt: skip
    ended = brimwatch(*args, *(("--fault", fault) if fault else ()), cwd=tmp_path).last
    lines = list(played(tmp_path / "fills.db", "last", config))
    summary = lines[-1]
    assert summary["same"], summary["differences"]
    assert summary["simulated"] is True
    cause = {line["cause"] for line in lines if line["kind"] == "close"}
    assert ended["cause"] in cause if fault else cause == {"mark"}
    assert summary["phases"][-1]["phase"] == ended["recorded_as"]
    assert summary["forecasts"] >= 5


def test_a_record_that_was_tampered_with_does_not_match(config: Config, tmp_path: Path) -> None:
    """Claim: exit code 1 and the first differences, when the record tells another story than the
    tape: the comparison can fail.
    """
    brimwatch("simulate", "--config", "river.toml", "--once", "--speed", "max", "--json",
              "--journal", "fills.db", *SMALL, "--fault", "leak", cwd=tmp_path)  # fmt: skip
    base = ("replay", "--config", "river.toml", "--journal", "fills.db", "--fill", "last")
    good = brimwatch(*base, cwd=tmp_path)
    assert (good.code, good.last["same"]) == (0, True)
    with sqlite3.connect(tmp_path / "fills.db") as link:
        link.execute("UPDATE alarm SET rule = 'W01'")
    link.close()
    bad = brimwatch(*base, cwd=tmp_path)
    assert (bad.code, bad.last["same"]) == (1, False)
    assert "played W06" in bad.last["differences"][0]
    other = loads(sample_text().replace("station.river", "station.pond"), "pond.toml")
    with pytest.raises(RecordingError, match="no station 'river'"):
        list(played(tmp_path / "fills.db", "last", other))


def test_the_command_wants_one_thing_to_play(tmp_path: Path) -> None:
    """Claim: a file and a fill, or neither, or two targets, is a wrong use that is explained."""
    (tmp_path / "it.csv").write_text("t_s,sensor,value\n0,meter,1\n")
    for args in (("replay",), ("replay", "it.csv", "--fill", "last"),
                 ("replay", "it.csv", "--target-l", "5", "--target-level-m", "0.3")):  # fmt: skip
        done = brimwatch(*args, cwd=tmp_path)
        assert done.code == 2
        assert "give" in done.err
    bad = brimwatch("replay", "gone.csv", cwd=tmp_path)
    assert bad.code == 2
    assert "gone.csv" in bad.err


def test_the_command_prints_one_object_a_line(tmp_path: Path) -> None:
    """Claim: `brimwatch replay FILE --config C` prints JSON lines, with and without --json, the
    summary last.
    """
    (tmp_path / "river.toml").write_text(config_text())
    rows = ["0,valve,1", *(f"{t},meter,{t * 75}" for t in range(120))]
    (tmp_path / "it.csv").write_text("\n".join(["t_s,sensor,value", *rows]))
    args = ("replay", "it.csv", "--config", "river.toml", "--target-l", "15")
    plain, json = brimwatch(*args, cwd=tmp_path), brimwatch(*args, "--json", cwd=tmp_path)
    assert plain.code == 0
    assert plain.objects == json.objects
    assert plain.last["kind"] == "summary"
    assert [x["cause"] for x in plain.objects if x["kind"] == "close"] == ["litres"]


def test_packs_of_the_record_are_a_recording_too(tmp_path: Path) -> None:
    """Claim: what `export --senml` writes of a fill plays as a recording: the same end within two
    seconds and no alarm, and the database itself may be named instead of a file.
    """
    # Without a level probe the config says where the water stood.
    text = sample_text().replace("start_m = 0.27", "start_m = 0.5271428571")
    (tmp_path / "river.toml").write_text(text)
    args = ("--config", "river.toml", "--journal", "fills.db")
    ended = brimwatch("simulate", *args, "--once", "--speed", "max", "--json", *SMALL,
                      cwd=tmp_path).last  # fmt: skip
    brimwatch("export", "last", *args, "--senml", "--out", "packs.jsonl", cwd=tmp_path)
    told = brimwatch("replay", "packs.jsonl", "--config", "river.toml", cwd=tmp_path).objects
    begun_s = told[-1]["fills"][0]["begun_s"]
    ends = [x["t_s"] - begun_s for x in told if x["kind"] == "close" and x["cause"] == "mark"]
    assert ends == pytest.approx([ended["fill_s"]], abs=2.0)
    assert [x["id"] for x in told if x["kind"] == "alarm"] == []
    assert told[-1]["valve"] == "recorded"
    direct = brimwatch("replay", "fills.db", "--config", "river.toml", cwd=tmp_path)
    assert direct.last["same"] is True
