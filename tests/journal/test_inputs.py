"""A fill's inputs: whole, in order, to the last bit, bounded, and with no silent gap."""

from __future__ import annotations

import json
import math
import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.exchange import ReadingPack
from monitor.core.reading import Kind, Sample
from monitor.journal import bounds, inputs, schema, writer
from monitor.journal.inbox import DUE_AT, ROOM, Inbox, Lane
from monitor.journal.inputs import (
    CHUNK_CHARS,
    CHUNK_INPUTS,
    INPUT_CHARS,
    Inputs,
    packed,
    unpacked,
)
from monitor.journal.reader import JournalReader
from monitor.journal.rows import (
    EventMark,
    FillEnd,
    FillSample,
    FillStart,
    InputChunk,
    InputRecord,
    Outcome,
)
from monitor.journal.store import Stamped, Store
from monitor.journal.writer import JournalWriter

Start = Callable[..., FillStart]
Sampled = Callable[..., FillSample]

NOW = datetime(2026, 3, 7, 9, 0, tzinfo=UTC)
TWO_HOURS_S = 7200
INPUTS_MAX_BYTES = 5_000_000  # our bound for two hours


def chunk(fill: str, first: int, count: int, kind: str = "heard") -> InputChunk:
    numbers = range(first, first + count)
    return InputChunk(fill, tuple(InputRecord(n, n / 7, kind, f"{n}") for n in numbers))


def give(journal: JournalWriter, count: int, fill: str = "f1") -> None:
    for number in range(count):
        journal.input(fill, 50_000.0 + number / 3, "heard", json.dumps({"seq": number}))


@pytest.mark.parametrize("count", [0, 1, CHUNK_INPUTS, CHUNK_INPUTS + 1, 3 * CHUNK_INPUTS])
def test_inputs_come_back_in_order(
    journal: JournalWriter, path: Path, start: Start, count: int
) -> None:
    """Any number of inputs, full chunks or not, comes back whole, numbered from one, its engine
    seconds to the last bit.
    """
    journal.begin_fill(start())
    give(journal, count)
    assert journal.flush()
    with JournalReader(path) as reader:
        found = reader.inputs("f1")
        assert reader.inputs("nobody") == ()
    assert [one.n for one in found] == list(range(1, count + 1))
    assert [one.at_s for one in found] == [50_000.0 + number / 3 for number in range(count)]
    assert [json.loads(one.payload)["seq"] for one in found] == list(range(count))
    assert (journal.health.refused, journal.health.waiting) == (0, 0)


@given(
    st.lists(
        st.builds(
            InputRecord,
            st.integers(1, 200_000),
            st.floats(allow_nan=False, allow_infinity=False),
            st.text(max_size=20),
            st.text(max_size=200),
        ),
        min_size=1,
        max_size=CHUNK_INPUTS,
    )
)
def test_a_chunk_is_the_same_to_the_last_bit(lines: list[InputRecord]) -> None:
    """Any text, line ends and quotes included, and any engine second is read back as it was."""
    assert unpacked(packed(lines)) == tuple(lines)


def test_the_longest_chunk_can_be_read_back() -> None:
    """A chunk that is all but full and then takes the longest payload, each letter of which JSON
    writes as six, is handed over and fits.
    """
    numbers = Inputs()
    assert numbers.add("f1", 0.0, "heard", "\x01" * (CHUNK_CHARS - 1)) is None
    full = numbers.add("f1", 0.0, "state", "\x01" * INPUT_CHARS)
    assert isinstance(full, InputChunk)
    assert [one.kind for one in full.inputs] == ["heard", "state"]
    assert unpacked(packed(full.inputs)) == full.inputs
    assert numbers.take() == []


@pytest.mark.parametrize(
    "blob",
    [
        b"",
        b"not compressed",
        packed([InputRecord(1, 0.0, "a", "b")])[:-3],
        zlib.compress(b"[1, 2"),
        zlib.compress(b'{"n": 1}'),
        zlib.compress(b'[1, 2, "a", "b"]'),
        zlib.compress(b"\xff\xfe"),
        zlib.compress(bytes(inputs.CHUNK_MAX_BYTES + 1)),
    ],
)
def test_a_damaged_chunk_is_told(path: Path, start: Start, blob: bytes) -> None:
    """What is no chunk of ours is damage with a place, never a half-true fill; a bomb of noughts
    is not unpacked.
    """
    with pytest.raises(ValueError, match=r"chunk|JSON|decode|Expecting"):
        unpacked(blob)
    store = Store(path, lambda: NOW)
    assert store.write([Stamped(start(), NOW), Stamped(chunk("f1", 1, 2), NOW)], safe=False) == []
    store._opened().execute("UPDATE fill_input SET chunk = ?", (blob,))
    store.close()
    with JournalReader(path) as reader, pytest.raises(schema.DamagedRecordError):
        reader.inputs("f1")


def test_what_matters_takes_the_inputs_along(
    journal: JournalWriter, path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An event commits at once what led to it, however few inputs that is."""
    monkeypatch.setattr(writer, "COMMIT_EVERY_S", 60.0)
    journal.begin_fill(start())
    give(journal, 3)
    assert journal.health.waiting > 0
    journal.event(EventMark("river", "phase", "stopped", 1.0))
    assert journal.close()
    with JournalReader(path) as reader:
        assert len(reader.inputs("f1")) == 3
        assert len(reader.events()) == 1


def test_closing_keeps_the_last_inputs(path: Path, start: Start) -> None:
    """What waits for its chunk to fill is written when the record is closed."""
    journal = JournalWriter(path, wall=lambda: NOW)
    journal.begin_fill(start())
    give(journal, 7)
    assert journal.close()
    with JournalReader(path) as reader:
        assert len(reader.inputs("f1")) == 7


def test_numbers_go_on_after_an_end(journal: JournalWriter, path: Path, start: Start) -> None:
    """The settling water's inputs come after the fill's first end and before its second."""
    journal.begin_fill(start())
    give(journal, 5)
    journal.end_fill(FillEnd("f1", Outcome.DONE))
    give(journal, 5)
    journal.end_fill(FillEnd("f1", Outcome.DONE))
    assert journal.flush()
    with JournalReader(path) as reader:
        assert [one.n for one in reader.inputs("f1")] == list(range(1, 11))


def test_an_input_that_cannot_be_kept_leaves_its_number_out(
    journal: JournalWriter, path: Path, start: Start
) -> None:
    """Too long, or at no time: the gap in the numbers shows it, and it is counted."""
    journal.begin_fill(start())
    journal.input("f1", 1.0, "heard", "a")
    journal.input("f1", 2.0, "heard", "x" * (INPUT_CHARS + 1))
    journal.input("f1", math.nan, "heard", "b")
    journal.input("f1", math.inf, "heard", "c")
    journal.input("f1", 5, "heard", "x" * INPUT_CHARS)
    assert journal.flush()
    with JournalReader(path) as reader:
        assert [(one.n, one.at_s) for one in reader.inputs("f1")] == [(1, 1.0), (5, 5.0)]
    assert journal.health.refused == 3


def test_inputs_of_no_fill_are_refused(journal: JournalWriter, path: Path, start: Start) -> None:
    """Inputs before their fill's start are refused and told; its neighbour's are kept. Text that
    is no Unicode takes its chunk with it.
    """
    journal.begin_fill(start())
    give(journal, 2)
    give(journal, 2, fill="nobody")
    journal.input("f1", 1.0, "heard", "\ud800")
    assert journal.flush()
    journal.input("f1", 1.0, "heard", "fine")
    assert journal.flush()
    with JournalReader(path) as reader:
        assert [one.n for one in reader.inputs("f1")] == [4]
    assert journal.health.refused == 2
    assert journal.health.ok


def test_a_second_story_under_the_same_numbers_is_refused(path: Path, start: Start) -> None:
    """A chunk given again after a commit that was in changes nothing; another one in its place is
    refused and the first stays.
    """
    store = Store(path, lambda: NOW)
    batch = [Stamped(start(), NOW), Stamped(chunk("f1", 1, 3), NOW)]
    assert store.write(batch, safe=False) == []
    assert store.write(batch[1:], safe=False) == []
    (why,) = store.write([Stamped(chunk("f1", 1, 3, "else"), NOW)], safe=False)
    assert "other inputs there already" in why
    store.close()
    with JournalReader(path) as reader:
        assert reader.inputs("f1") == chunk("f1", 1, 3).inputs


def test_a_fill_without_end_has_bounded_inputs(
    journal: JournalWriter, path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the bound the inputs end, the record says so once, and the fill goes on."""
    monkeypatch.setattr(inputs, "INPUTS_PER_FILL_MAX", 30)
    journal.begin_fill(start())
    give(journal, 100)
    assert journal.flush()
    with JournalReader(path) as reader:
        assert [one.n for one in reader.inputs("f1")] == list(range(1, 31))
        (event,) = reader.events()
    assert (event.fill, event.kind) == ("f1", "journal")
    assert "first 30" in event.text


def test_the_memory_of_inputs_is_bounded() -> None:
    """A thousand fills that begin and never end leave sixty-four remembered; one that goes on is
    never among those that are given up.
    """
    numbers = Inputs()
    for number in range(1000):
        numbers.add(f"f{number}", 1.0, "heard", "")
        numbers.add("lasting", float(number), "heard", "")
    assert numbers.waiting <= inputs.FILLS_MAX
    assert len(numbers._counts) == inputs.FILLS_MAX
    assert numbers.refused == 1000 - (inputs.FILLS_MAX - 1)
    numbers.add("lasting", 1000.0, "heard", "")
    (last,) = (each for each in numbers.take() if each.fill == "lasting")
    assert last.inputs[-1].n == 1001
    assert numbers.take() == []


def test_a_flood_of_inputs_does_not_wait_for_the_clock() -> None:
    """Inputs handed over by the hour wake the writer well before their room is used up, and can
    push out nothing but inputs.
    """
    inbox: Inbox[object] = Inbox()
    inbox.put(Lane.SAMPLE, "sample")
    for number in range(DUE_AT[Lane.INPUT]):
        inbox.put(Lane.INPUT, number)
    assert len(inbox.take(60.0)) == 1 + DUE_AT[Lane.INPUT]
    inbox.put(Lane.SAMPLE, "sample")
    for number in range(2000):
        inbox.put(Lane.INPUT, number)
    left = inbox.take(0.0)
    assert left[0] == "sample"
    assert left[1:] == list(range(inbox.dropped(Lane.INPUT), 2000))
    assert len(left) == 1 + ROOM[Lane.INPUT]
    assert inbox.dropped(Lane.SAMPLE) == 0


def test_only_the_newest_fills_can_be_played_again(
    path: Path, start: Start, sample: Sampled, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past so many fills the oldest inputs go, samples and summaries stay; when the file is too
    big inputs go before samples.
    """
    monkeypatch.setattr(bounds, "INPUT_FILLS_MAX", 4)
    store = Store(path, lambda: NOW)
    for number in range(6):
        fill = f"f{number}"
        rows = [start(fill), *(sample(float(t), fill=fill) for t in range(300))]
        rows += [*(chunk(fill, 1 + t, 1) for t in range(300)), FillEnd(fill, Outcome.DONE)]
        assert store.write([Stamped(row, NOW) for row in rows], safe=False) == []

    def held() -> list[tuple[int, int]]:
        with JournalReader(path) as reader:
            fills = [f"f{number}" for number in range(6)]
            return [(len(reader.samples(fill)), len(reader.inputs(fill))) for fill in fills]

    assert held() == [(300, 0)] * 2 + [(300, 300)] * 4
    link = store._opened()
    used = bounds._used_bytes(link)
    bounds.prune(link, max_bytes=used - 1)
    assert held() == [(300, 0)] * 3 + [(300, 300)] * 3
    bounds.prune(link, max_bytes=1)
    assert held() == [(0, 0)] * 5 + [(300, 300)]
    store.close()


def test_without_a_record_inputs_cost_nothing(start: Start) -> None:
    """Without a path nothing gathers in memory."""
    journal = JournalWriter(None, wall=lambda: NOW)
    journal.begin_fill(start())
    give(journal, 100)
    assert journal.health.waiting == 0
    assert journal.close()


def river_pack(second: int) -> ReadingPack:
    """Make a pack of eight invented sensors, as uneven as real ones."""
    uneven = second * 7919 % 1000
    uptime_s = 51_234.123456 + second + uneven / 1e5
    values = [
        ("float_high", Kind.FLOAT, 0.0),
        ("float_over", Kind.FLOAT, 0.0),
        ("float_low", Kind.FLOAT, 0.0),
        ("floor", Kind.LEAK, 0.0),
        ("incoming", Kind.TEMPERATURE, 24.5 + second % 17 / 16),
        ("tank", Kind.TEMPERATURE, 25.0 + second % 5 / 16),
        ("depth", Kind.LEVEL, 0.27 + uneven / 30011),
        ("meter", Kind.FLOW, 10.0 + uneven / 3001),
    ]
    samples = tuple(
        Sample(name, kind, uptime_s - n / 100, value, count=75 * second if n == 7 else None)
        for n, (name, kind, value) in enumerate(values)
    )
    return ReadingPack("river", "river-pi", "a1b2c3d4e5f6", second, uptime_s, samples, True)


@pytest.mark.slow
def test_two_hours_of_inputs_stay_small(path: Path, start: Start) -> None:
    """Two hours of a pack of eight sensors, a broker's echo and a tick each second, every number
    in full, add less than five megabytes.
    """
    store = Store(path, lambda: NOW)
    assert store.write([Stamped(start(), NOW)], safe=False) == []
    store.close()
    before = path.stat().st_size
    numbers = Inputs()
    for second in range(TWO_HOURS_S):
        pack = json.dumps(asdict(river_pack(second)))
        given = (("heard", pack), ("echo", ""), ("tick", ""))
        for part, (kind, payload) in enumerate(given):
            row = numbers.add("f1", 51_300.0 + second + part / 3, kind, payload)
            if isinstance(row, InputChunk):
                assert store.write([Stamped(row, NOW)], safe=False) == []
    store.close()
    with JournalReader(path) as reader:
        assert len(reader.inputs("f1")) == 3 * TWO_HOURS_S
    link = sqlite3.connect(path)
    assert link.execute("PRAGMA quick_check").fetchone() == ("ok",)
    link.close()
    assert path.stat().st_size - before < INPUTS_MAX_BYTES
