"""What shuts the valve goes out before every word about it, and no word is lost or out of order."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.core.alarm import Alarm, AlarmState
from monitor.core.events import AlarmTurned, Asked
from monitor.core.exchange import (
    AlarmNotice,
    Message,
    Permit,
    Reply,
    Request,
    Status,
    Withdraw,
)
from monitor.core.hazards import BY_KEY, RULES
from monitor.core.phases import Phase
from monitor.engine import BREATH_S, Engine
from support.stories import Story


class Ear:
    """Link, record and clock in one: notes what the engine does, in order."""

    client_id = "ear"
    connected = True

    def __init__(self) -> None:
        self.done: list[str] = []
        self.sent: list[Message] = []
        self.now = 0.0

    def send(self, message: Message) -> bool:
        self.done.append(type(message).__name__)
        self.sent.append(message)
        return True

    def now_s(self) -> float:
        return self.now

    def wall(self) -> datetime:
        return datetime(2026, 3, 7, tzinfo=UTC)

    def health(self) -> str:
        return ""

    def __getattr__(self, name: str) -> Any:
        if name not in ("begin", "sample", "input", "end", "alarm", "event"):
            raise AttributeError(name)
        return lambda *_details: self.done.append(f"record.{name}")


def flooded() -> tuple[Engine, Ear]:
    """Return an engine that has this moment heard of a wet probe in mid-fill, and what it did."""
    story = Story().begin().fill().run(30.0)
    story.trips.clear()  # the node leaves it to the engine
    story.edge(wet=True)
    return lived(story, Withdraw)


def lived(story: Story, until: type[Message]) -> tuple[Engine, Ear]:
    """Return an engine that has lived through a story until it sends something."""
    ear = Ear()
    parts: dict[str, Any] = {"link": ear, "clock": ear, "record": ear}
    engine = Engine(plan=story.plan, boot="engine", new_id=lambda: "id", **parts)
    for given, at_s in story.inputs:
        ear.now = at_s
        ear.done.clear()
        ear.sent.clear()
        engine.feed(given)
        if any(isinstance(each, until) for each in ear.sent):
            return engine, ear
    raise AssertionError(until)


async def test_a_withdrawal_goes_out_before_alarm_status_and_record() -> None:
    """A wet probe in mid-fill: the withdrawal is all that is sent at once, and after it the input
    is put on the fill's tape. Alarm, status and record follow a breath later, and nothing is
    missing.
    """
    engine, ear = flooded()
    assert engine.state.phase is Phase.STOPPED
    assert ear.done == ["Withdraw", "record.input"]
    assert [each.cause for each in ear.sent if isinstance(each, Withdraw)] == ["W06"]
    await asyncio.sleep(BREATH_S * 4)
    assert ear.done[0] == "Withdraw"
    assert sorted(ear.done[2:]) == sorted(
        ["record.alarm", "AlarmNotice", "record.end", "record.event", "Status"]
    )
    notice = next(each for each in ear.sent if isinstance(each, AlarmNotice))
    status = next(each for each in ear.sent if isinstance(each, Status))
    assert notice.data["id"] == "W06"
    assert status.data["phase"] == "stopped"


async def test_words_keep_their_order_across_the_breath() -> None:
    """A request that comes within the breath is answered after the alarm it may ask about, and its
    answer shows the stop.
    """
    engine, ear = flooded()
    engine.feed(Asked(Request("river", "r1", "status", "keeper"), "f"))
    assert ear.done == ["Withdraw", "record.input", "record.input"]
    await asyncio.sleep(BREATH_S * 4)
    assert ear.done.index("AlarmNotice") < ear.done.index("Reply")
    reply = next(each for each in ear.sent if isinstance(each, Reply))
    assert reply.data["phase"] == "stopped"


async def test_a_quiet_reading_waits_for_nothing() -> None:
    """Without a withdrawal there is no breath: the permit and its sample are there at once."""
    _, ear = lived(Story().begin().fill(), Permit)
    assert "record.sample" in ear.done


async def test_an_error_from_anywhere_ends_the_engine_and_no_permit_follows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A step that fails, in a timer too, is the last: readings earn nothing any more, and the
    engine's next round ends it with what went wrong.
    """
    engine, ear = lived(Story().begin().fill(), Permit)

    def broken(*_details: object) -> None:
        raise ZeroDivisionError("planted")

    with monkeypatch.context() as patch:
        patch.setattr("monitor.engine.step", broken)
        engine._tick()
    ear.sent.clear()
    pack = Story().begin().fill().run(30.0).inputs[-1][0]
    engine.feed(pack)
    assert ear.sent == []
    reader = asyncio.create_task(asyncio.sleep(3600))
    with pytest.raises(ZeroDivisionError, match="planted"):
        await engine._beat(asyncio.Event(), reader)
    reader.cancel()


async def test_the_record_keeps_one_alarm_a_hazard_and_it_is_the_worst() -> None:
    """Two rules that stand for one hazard (T01, too warm and scalding) are one alarm of the record:
    as bad as the worse of them, and over only when both are.
    """
    story = Story().begin().fill().run(60.0)
    _, ear = lived(story, Permit)
    parts: dict[str, Any] = {"link": ear, "clock": ear, "record": ear}
    engine = Engine(plan=story.plan, boot="engine", new_id=lambda: "id", **parts)

    def told(key: str, state: AlarmState) -> tuple[str, bool]:
        rule = RULES[BY_KEY[key]]
        action = AlarmTurned(key, rule.id, rule.severity, Alarm(state))
        worst, stands = engine._worst_of(action)
        return worst.key, stands

    assert told("hot", AlarmState.UNACKED) == ("hot", True)
    assert told("scald", AlarmState.UNACKED) == ("scald", True)
    assert told("scald", AlarmState.LATCHED_UNACKED) == ("scald", True)
    assert told("hot", AlarmState.LATCHED_UNACKED) == ("scald", False)
    assert told("hot", AlarmState.UNACKED) == ("hot", True)
