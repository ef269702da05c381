"""What the record tells the engine: proofs, cartridge, people, and what earlier fills teach."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import inf, nan
from pathlib import Path

import pytest

from monitor.core.events import Tick
from monitor.core.exchange import Way
from monitor.core.facts import VALVE, Facts, age_s
from monitor.core.forecast import Forecast
from monitor.core.plan import Fill, Plan
from monitor.core.priors import FILLS_MAX, PastFill, Priors, priors_from
from monitor.core.vessel import box
from monitor.journal import bounds, writer
from monitor.journal.reader import JournalReader
from monitor.journal.record import SILENT, JournalRecord
from monitor.journal.rows import FillEnd, FillSample, FillStart, NoteMark, Outcome
from monitor.journal.store import Row, Stamped, Store
from monitor.journal.writer import JournalWriter

Start = Callable[..., FillStart]
Filled = Callable[..., None]

SATURDAY = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
NOW_S = 5_000.0
DAY = timedelta(days=1)
DAY_S = 86_400.0


class SetWall:
    """A wall clock that shows what it is told."""

    def __init__(self) -> None:
        self.shows = SATURDAY

    def __call__(self) -> datetime:
        return self.shows


@pytest.fixture
def clock() -> SetWall:
    return SetWall()


@pytest.fixture
def keeper(path: Path, clock: SetWall) -> Iterator[JournalWriter]:
    """A writer whose clock the test sets."""
    keeping = JournalWriter(path, wall=clock)
    yield keeping
    assert keeping.close(5.0)


@pytest.fixture
def record(keeper: JournalWriter) -> JournalRecord:
    return JournalRecord(keeper)


@pytest.fixture
def plan() -> Plan:
    """The museum's invented river tank."""
    return Plan(
        station="river",
        node="river-pi",
        vessel=box(2.0, 0.7, 0.6, 0.57),
        floats=("high",),
        leaks=("floor",),
        temp_in="incoming",
        flow_in="meter",
        pulses_per_litre=450.0,
        flow_uncertainty=0.03,
        flow_max_lpm=30.0,
        low_c=23.0,
        high_c=27.0,
        scald_c=50.0,
        purge_l=5.0,
    )


@pytest.fixture
def done() -> Callable[..., list[Row]]:
    """Make the rows of a finished fill of so many litres."""

    def make(
        start: FillStart,
        litres: float,
        outcome: Outcome = Outcome.DONE,
        flow_lpm: float | None = None,
        overrun_l: float | None = None,
    ) -> list[Row]:
        end = FillEnd(start.id, outcome, delivered_l=litres)
        return [start, replace(end, start_flow_lpm=flow_lpm, overrun_l=overrun_l)]

    return make


def put(keeper: JournalWriter, rows: list[Row]) -> None:
    for row in rows:
        match row:
            case FillStart():
                keeper.begin_fill(row)
            case FillEnd():
                keeper.end_fill(row)


# --- notes and facts ---


def test_nothing_noted_is_nothing_proven(record: JournalRecord) -> None:
    """A new record knows of no proof, no cartridge and nobody, and is well."""
    assert record.facts("river", NOW_S, simulated=False) == Facts()
    assert record.priors("river", simulated=False) == Priors()


def test_a_note_is_a_fact_at_once(record: JournalRecord, clock: SetWall) -> None:
    """What was noted a moment ago is known in the very next answer, and grows older by the wall
    clock, over any number of restarts of the engine's own clock.
    """
    record.note("river", "proof", "high", "volunteer", simulated=False)
    record.note("river", "proof", VALVE, "volunteer", simulated=False)
    record.note("river", "people", "", "volunteer", simulated=False)
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    told = record.facts("river", NOW_S, simulated=False)
    assert told == Facts(
        proven_s={"high": NOW_S, VALVE: NOW_S},
        cartridge_l=0.0,
        cartridge_s=NOW_S,
        people_s=NOW_S,
    )
    clock.shows = SATURDAY + 40 * DAY
    later = record.facts("river", 7.0, simulated=False)
    assert age_s(later.proven_s["high"], 7.0) == pytest.approx(40 * DAY_S)
    assert age_s(later.people_s, 7.0) == pytest.approx(40 * DAY_S)
    assert age_s(later.cartridge_s, 7.0) == pytest.approx(40 * DAY_S)


def test_the_newest_proof_of_each_part_counts(record: JournalRecord, clock: SetWall) -> None:
    """Each part has its own date, that of its last proof."""
    for days, part in ((0, "high"), (10, "floor"), (30, "high"), (60, "meter")):
        clock.shows = SATURDAY + days * DAY
        record.note("river", "proof", part, "volunteer", simulated=False)
    clock.shows = SATURDAY + 61 * DAY
    proven_s = record.facts("river", NOW_S, simulated=False).proven_s
    ages = {part: age_s(then_s, NOW_S) / DAY_S for part, then_s in proven_s.items()}
    assert ages == {
        "high": pytest.approx(31.0),
        "floor": pytest.approx(51.0),
        "meter": pytest.approx(1.0),
    }


def test_stations_and_simulations_keep_to_themselves(
    record: JournalRecord, keeper: JournalWriter, start: Start, done: Callable[..., list[Row]]
) -> None:
    """A proof made in a simulation proves nothing of real parts, nor the other way round; another
    station's is another's. The same holds for litres and for what fills teach.
    """
    for what, part in (("proof", "high"), ("cartridge", ""), ("people", "")):
        record.note("river", what, part, "volunteer", simulated=True)
    put(keeper, done(start("f1", simulated=True), 300.0, flow_lpm=10.0, overrun_l=0.3))
    for station, simulated in (("river", False), ("sump", True), ("sump", False)):
        assert record.facts(station, NOW_S, simulated=simulated) == Facts()
        assert record.priors(station, simulated=simulated) == Priors()
    put(keeper, done(start("f2", simulated=False), 99.0, flow_lpm=8.0, overrun_l=0.9))
    simulated = record.facts("river", NOW_S, simulated=True)
    assert simulated == Facts({"high": NOW_S}, 300.0, NOW_S, NOW_S)
    assert record.priors("river", simulated=True) == priors_from([PastFill(10.0, 0.3)])
    assert record.priors("river", simulated=False) == priors_from([PastFill(8.0, 0.9)])


def test_a_date_to_come_counts_as_never(record: JournalRecord, clock: SetWall) -> None:
    """Notes made while the clock ran ahead prove nothing once it is right; an earlier proof made
    at a believable time still stands.
    """
    record.note("river", "proof", "high", "volunteer", simulated=False)
    clock.shows = SATURDAY + 900 * DAY
    for what, part in (("proof", "high"), ("proof", "floor"), ("cartridge", ""), ("people", "")):
        record.note("river", what, part, "volunteer", simulated=False)
    clock.shows = SATURDAY + DAY
    told = record.facts("river", NOW_S, simulated=False)
    assert set(told.proven_s) == {"high"}
    assert age_s(told.proven_s["high"], NOW_S) == pytest.approx(DAY_S)
    assert (told.cartridge_s, told.people_s) == (-inf, -inf)
    assert told.cartridge_l == 0.0


@pytest.mark.parametrize(
    "unset", [datetime(1970, 1, 1, tzinfo=UTC), datetime(2019, 12, 31, tzinfo=UTC)]
)
def test_a_clock_that_was_never_set_gives_nothing_an_age(
    record: JournalRecord, clock: SetWall, unset: datetime
) -> None:
    """On a Pi without a battery clock everything is as good as never done, and people are told
    why and what to do; once it is set the old dates are back and those of the bad time are not.
    """
    record.note("river", "proof", "high", "volunteer", simulated=False)
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    assert record.facts("river", NOW_S, simulated=False).record == ""
    clock.shows = unset
    record.note("river", "proof", "floor", "volunteer", simulated=False)
    record.note("river", "people", "", "volunteer", simulated=False)
    told = record.facts("river", NOW_S, simulated=False)
    assert (dict(told.proven_s), told.cartridge_s, told.people_s) == ({}, -inf, -inf)
    assert told.cartridge_l == 0.0
    assert told.record == record.health()
    for words in ("The clock was never set", f"{unset.year}-", "battery clock"):
        assert words in told.record
    clock.shows = SATURDAY + DAY
    told = record.facts("river", NOW_S, simulated=False)
    assert set(told.proven_s) == {"high"}
    assert told.people_s == -inf
    assert told.record == record.health() == ""


def test_the_first_day_that_can_be_true(record: JournalRecord, clock: SetWall) -> None:
    """The floor itself is believed: no clock that was never set starts there."""
    clock.shows = datetime(2020, 1, 1, tzinfo=UTC)
    record.note("river", "proof", "high", "volunteer", simulated=False)
    assert record.facts("river", NOW_S, simulated=False) == Facts({"high": NOW_S})


def test_litres_count_from_the_newest_cartridge(
    record: JournalRecord, keeper: JournalWriter, start: Start, done: Callable[..., list[Row]]
) -> None:
    """All litres of finished fills since the newest cartridge, however they ended; none of drains,
    of other stations, or of before; without any note, litres without bound.
    """
    put(keeper, done(start("f1", simulated=False), 400.0))
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == inf
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == 0.0
    put(keeper, done(start("f2", simulated=False), 410.0))
    put(keeper, done(start("f3", simulated=False), 50.5, Outcome.STOPPED))
    put(keeper, done(start("f4", simulated=False, way=Way.OUT), 380.0))
    put(keeper, done(start("f5", simulated=False, station="sump"), 70.0))
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == pytest.approx(460.5)
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    put(keeper, done(start("f6", simulated=False), 12.0))
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == pytest.approx(12.0)


def test_a_cartridge_changed_in_mid_fill_gets_the_whole_fill(
    record: JournalRecord, keeper: JournalWriter, start: Start, done: Callable[..., list[Row]]
) -> None:
    """Litres are rather counted twice than not at all, and by order, not by the clock."""
    begin, end = done(start("f1", simulated=False), 400.0)
    put(keeper, [begin])
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    put(keeper, [end])
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == pytest.approx(400.0)


def test_litres_need_no_clock(
    record: JournalRecord,
    keeper: JournalWriter,
    clock: SetWall,
    start: Start,
    done: Callable[..., list[Row]],
) -> None:
    """A clock that jumps back years between cartridge and fill moves no litre."""
    record.note("river", "cartridge", "", "volunteer", simulated=False)
    clock.shows = datetime(1970, 1, 1, tzinfo=UTC)
    put(keeper, done(start("f1", simulated=False), 400.0))
    assert record.facts("river", NOW_S, simulated=False).cartridge_l == pytest.approx(400.0)


def test_notes_are_read_back(record: JournalRecord, keeper: JournalWriter, path: Path) -> None:
    """Who noted what, when: newest first, by kind and by station, without control characters."""
    record.note("river", "proof", "high", "volunteer\x1b[31m", simulated=True)
    record.note("river", "people", "", "page", simulated=False)
    record.note("sump", "proof", VALVE, "volunteer", simulated=False)
    assert keeper.flush()
    with JournalReader(path) as reader:
        assert [note.station for note in reader.notes()] == ["sump", "river", "river"]
        assert [note.part for note in reader.notes(what="proof")] == [VALVE, "high"]
        assert len(reader.notes(station="river", limit=1)) == 1
        (note,) = reader.notes(what="proof", station="river")
    assert (note.by, note.wall, note.simulated, note.text) == (
        "volunteer\N{REPLACEMENT CHARACTER}[31m",
        SATURDAY,
        True,
        "",
    )


def test_old_notes_go_but_never_the_newest_of_its_kind(
    path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flood of one kind of note is held to its bound and cannot push out the cartridge's date
    or another part's proof.
    """
    monkeypatch.setattr(bounds, "LIST_MAX_ROWS", 10)
    rows: list[Row] = [
        NoteMark("river", "cartridge", "", "volunteer", False),
        NoteMark("river", "proof", "high", "volunteer", False),
        *(NoteMark("river", "people", "", "page", False) for _ in range(50)),
        start("f1", simulated=False),
        FillEnd("f1", Outcome.DONE, delivered_l=5.0),
    ]
    store = Store(path, lambda: SATURDAY)
    assert store.write([Stamped(row, SATURDAY) for row in rows], safe=False) == []
    told = store.facts("river", False, SATURDAY, NOW_S)
    store.close()
    assert told == Facts({"high": NOW_S}, 5.0, NOW_S, NOW_S)
    with JournalReader(path) as reader:
        assert len(reader.notes()) == 12


def test_a_damaged_record_forgets_rather_than_lies(
    path: Path, clock: SetWall, filled: Filled, start: Start
) -> None:
    """When the file had to be moved aside, nothing is proven any more."""
    filled(path, start("f0"), [])
    with path.open("r+b") as out:
        out.write(b"\xa5" * 4096)
    keeper = JournalWriter(path, wall=clock)
    assert JournalRecord(keeper).facts("river", NOW_S, simulated=True) == Facts()
    assert keeper.close()
    assert len(list(path.parent.glob("*.corrupt-*"))) == 1


def test_a_record_that_does_not_answer_proves_nothing(
    path: Path, clock: SetWall, start: Start, filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another program holds the file the answer is nothing, within its bound, with the
    reason; once it is let go the facts are back.
    """
    filled(path, start("f0"), [])
    monkeypatch.setattr(writer, "PAUSE_FIRST_S", 0.02)
    monkeypatch.setattr(writer, "PAUSE_MAX_S", 0.02)
    keeper = JournalWriter(path, wall=clock)
    record = JournalRecord(keeper)
    record.note("river", "proof", "high", "volunteer", simulated=False)
    assert record.facts("river", NOW_S, simulated=False).proven_s == {"high": NOW_S}
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    record.note("river", "proof", "floor", "volunteer", simulated=False)
    assert keeper.facts("river", False, NOW_S, timeout_s=0.05) is None
    assert keeper.priors("river", False, timeout_s=0.05) is None
    monkeypatch.setattr(JournalWriter, "facts", lambda *_args: None)
    monkeypatch.setattr(JournalWriter, "priors", lambda *_args: None)
    told = record.facts("river", NOW_S, simulated=False)
    assert told.proven_s == {}
    assert told.record in {SILENT, record.health()}
    assert told.record != ""
    assert record.priors("river", simulated=False) == Priors()
    monkeypatch.undo()
    other.execute("COMMIT")
    assert keeper.flush(5.0)
    assert set(record.facts("river", NOW_S, simulated=False).proven_s) == {"high", "floor"}
    assert keeper.close()


def test_without_a_record_nothing_is_known(clock: SetWall) -> None:
    """Without a path the same questions are answered at once, with nothing."""
    record = JournalRecord(JournalWriter(None, wall=clock))
    record.note("river", "proof", "high", "volunteer", simulated=False)
    assert record.facts("river", NOW_S, simulated=False) == Facts()
    assert record.priors("river", simulated=False) == Priors()


# --- what earlier fills teach ---


def test_only_fills_that_reached_their_end_teach(
    record: JournalRecord, keeper: JournalWriter, start: Start, done: Callable[..., list[Row]]
) -> None:
    """Stopped and interrupted fills, running ones and drains say nothing of the next fill."""
    put(keeper, done(start("f1"), 400.0, flow_lpm=10.0, overrun_l=0.3))
    put(keeper, done(start("f2"), 10.0, Outcome.STOPPED, flow_lpm=90.0, overrun_l=30.0))
    put(keeper, done(start("f3"), 10.0, Outcome.INTERRUPTED, flow_lpm=90.0, overrun_l=30.0))
    put(keeper, done(start("f4", way=Way.OUT), 400.0, flow_lpm=90.0, overrun_l=30.0))
    put(keeper, [start("f5")])
    put(keeper, done(start("f6"), 400.0))  # of an older form: it tells neither
    assert record.priors("river", simulated=True) == priors_from([PastFill(10.0, 0.3)])


def test_the_newest_fills_teach(
    record: JournalRecord, keeper: JournalWriter, start: Start, done: Callable[..., list[Row]]
) -> None:
    """Of many fills the last ten count."""
    flows = [5.0 + number for number in range(FILLS_MAX + 3)]
    for number, flow_lpm in enumerate(flows):
        put(keeper, done(start(f"f{number}"), 400.0, flow_lpm=flow_lpm, overrun_l=flow_lpm / 20))
    expected = priors_from([PastFill(flow, flow / 20) for flow in flows[3:][::-1]])
    assert record.priors("river", simulated=True) == expected
    assert expected.flow_lpm == pytest.approx(sum(flows[3:]) / FILLS_MAX)


# --- the engine's hand ---


def test_a_fill_by_the_engine(
    record: JournalRecord, keeper: JournalWriter, path: Path, plan: Plan
) -> None:
    """A fill up to the mark: its start level from the vessel, its sensors where they are fitted,
    its inputs, its end.
    """
    fill = Fill(
        id="f1",
        by="volunteer",
        need_l=420.0,
        to_mark=True,
        asked_s=NOW_S - 9.0,
        volume_limit_l=450.0,
        time_limit_s=4000.0,
        begun_s=NOW_S,
        shut_s=NOW_S + 60.0,
        shut_l=10.0,
        delivered_l=10.4,
        attended=True,
        ended="done",
        expected=Forecast(9.6, 0.2, 0.5, 419.5, 2600.0, 2500.0, 2700.0, 420.0),
        expected_at_s=30.0,
    )
    record.begin(plan, fill, NOW_S, True, drained_l=418.0)
    assert record.interrupted("river") == ("f1",)
    record.input("f1", NOW_S, Tick())
    record.sample("f1", 1.0, 24.5, 10.0, 0.2, "filling")
    record.sample("f1", 2.0, 24.5, 10.0, 0.4, "filling", 0.27, 25.5)
    record.event("river", "phase", "filling", "f1", NOW_S)
    record.alarm("river", "W15", "low", "no flow", True, "f1", NOW_S)
    record.end(fill, "")
    assert keeper.flush()
    with JournalReader(path) as reader:
        kept = reader.fill("f1")
        assert reader.samples("f1") == (
            FillSample("f1", 1.0, 24.5, 10.0, 0.2, "filling"),
            FillSample("f1", 2.0, 24.5, 10.0, 0.4, "filling", 0.27, 25.5),
        )
        assert [one.kind for one in reader.inputs("f1")] == ["tick"]
        assert (len(reader.events()), len(reader.alarms())) == (1, 1)
    # 420 L below the mark of a tank of 2.0 m x 0.7 m are 0.3 m of water.
    assert kept.level_start_m == pytest.approx(0.27)
    assert (kept.way, kept.outcome, kept.fill_s) == (Way.IN, Outcome.DONE, 60.0)
    assert (kept.simulated, kept.attended, kept.drained_l) == (True, True, 418.0)
    assert (kept.start_flow_lpm, kept.overrun_l) == (9.6, pytest.approx(0.4))
    assert (kept.pulses_per_litre, kept.flow_uncertainty) == (450.0, 0.03)
    assert (kept.forecast_s, kept.forecast_low_s) == (2630.0, 2530.0)


@pytest.mark.parametrize(("start_l", "level_m"), [(nan, None), (378.0, 0.27)])
def test_a_drain_that_is_stopped(
    record: JournalRecord,
    keeper: JournalWriter,
    path: Path,
    plan: Plan,
    start_l: float,
    level_m: float | None,
) -> None:
    """A drain's row says so; its start level is the sensor's or not known; what still came after a
    stop is told only once it is known; without a forecast there is no start flow.
    """
    stopped = Fill(
        "f1",
        "volunteer",
        50.0,
        False,
        NOW_S,
        55.0,
        900.0,
        way=Way.OUT,
        start_l=start_l,
        shut_s=NOW_S + 9.0,
        shut_l=10.0,
        delivered_l=10.0,
        ended="stopped",
    )
    record.begin(plan, stopped, NOW_S, False)
    record.end(stopped, "W21")
    assert keeper.flush()
    with JournalReader(path) as reader:
        first = reader.fill("f1")
        record.end(replace(stopped, delivered_l=10.7, accounted=True), "W21")
        assert keeper.flush()
        second = reader.fill("f1")
    assert (first.way, first.outcome, first.cause) == (Way.OUT, Outcome.STOPPED, "W21")
    assert (first.overrun_l, first.start_flow_lpm) == (None, None)
    assert first.level_start_m == (None if level_m is None else pytest.approx(level_m))
    assert (second.overrun_l, second.delivered_l) == (pytest.approx(0.7), 10.7)


def test_an_interrupted_fill_is_settled(record: JournalRecord, plan: Plan) -> None:
    """A fill found open is closed with its cause and is then no longer open."""
    fill = Fill("f1", "volunteer", 50.0, False, NOW_S, 55.0, 900.0)
    record.begin(plan, fill, NOW_S, False)
    record.interrupt("f1", "C08")
    assert record.interrupted("river") == ()
