"""The life cycle of one alarm, after IEC 62682 / ANSI-ISA-18.2.

Theory. The letters are the standard's: A normal, B unacknowledged, C acknowledged, D returned to
normal but unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved, H suppressed
by design, I out of service. Acknowledging only says that a person has seen it: it changes no
output. A latching alarm stays after its condition has gone until a person resets it. The three
set-aside states (G, H, I) remember nothing of their own: on the way back the alarm goes where its
condition says, so an alarm that is still true comes back unacknowledged.

`TABLE` is the whole product for a latching alarm; `PLAIN` lists the cells that differ for one that
does not latch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf
from typing import Final


class AlarmState(StrEnum):
    """The standard's states, by letter."""

    NORMAL = "A"
    UNACKED = "B"
    ACKED = "C"
    RETURNED = "D"
    LATCHED_UNACKED = "E"
    LATCHED_ACKED = "F"
    SHELVED = "G"
    SUPPRESSED = "H"
    OUT_OF_SERVICE = "I"


class AlarmEvent(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"  # its condition became true
    CLEAR = "clear"  # its condition became false
    ACK = "ack"  # a person has seen it
    RESET = "reset"  # a person lets go of a latch
    SHELVE = "shelve"  # a person sets it aside for a limited time
    SUPPRESS = "suppress"  # the design sets it aside in this situation
    REMOVE = "remove"  # a person takes it out of service
    BACK_TRUE = "back-true"  # set-aside ends and the condition is true
    BACK_FALSE = "back-false"  # set-aside ends and the condition is false


_A, _B, _C, _D, _E, _F, _G, _H, _I = AlarmState
_V = AlarmEvent

TABLE: Final[Mapping[tuple[AlarmState, AlarmEvent], AlarmState]] = {
    (_A, _V.RAISE): _B, (_A, _V.CLEAR): _A, (_A, _V.ACK): _A, (_A, _V.RESET): _A,
    (_A, _V.SHELVE): _G, (_A, _V.SUPPRESS): _H, (_A, _V.REMOVE): _I,
    (_A, _V.BACK_TRUE): _A, (_A, _V.BACK_FALSE): _A,
    (_B, _V.RAISE): _B, (_B, _V.CLEAR): _E, (_B, _V.ACK): _C, (_B, _V.RESET): _B,
    (_B, _V.SHELVE): _G, (_B, _V.SUPPRESS): _H, (_B, _V.REMOVE): _I,
    (_B, _V.BACK_TRUE): _B, (_B, _V.BACK_FALSE): _B,
    (_C, _V.RAISE): _C, (_C, _V.CLEAR): _F, (_C, _V.ACK): _C, (_C, _V.RESET): _C,
    (_C, _V.SHELVE): _G, (_C, _V.SUPPRESS): _H, (_C, _V.REMOVE): _I,
    (_C, _V.BACK_TRUE): _C, (_C, _V.BACK_FALSE): _C,
    (_D, _V.RAISE): _B, (_D, _V.CLEAR): _D, (_D, _V.ACK): _A, (_D, _V.RESET): _D,
    (_D, _V.SHELVE): _G, (_D, _V.SUPPRESS): _H, (_D, _V.REMOVE): _I,
    (_D, _V.BACK_TRUE): _D, (_D, _V.BACK_FALSE): _D,
    (_E, _V.RAISE): _B, (_E, _V.CLEAR): _E, (_E, _V.ACK): _F, (_E, _V.RESET): _E,
    (_E, _V.SHELVE): _G, (_E, _V.SUPPRESS): _H, (_E, _V.REMOVE): _I,
    (_E, _V.BACK_TRUE): _E, (_E, _V.BACK_FALSE): _E,
    (_F, _V.RAISE): _B, (_F, _V.CLEAR): _F, (_F, _V.ACK): _F, (_F, _V.RESET): _A,
    (_F, _V.SHELVE): _G, (_F, _V.SUPPRESS): _H, (_F, _V.REMOVE): _I,
    (_F, _V.BACK_TRUE): _F, (_F, _V.BACK_FALSE): _F,
    (_G, _V.RAISE): _G, (_G, _V.CLEAR): _G, (_G, _V.ACK): _G, (_G, _V.RESET): _G,
    (_G, _V.SHELVE): _G, (_G, _V.SUPPRESS): _H, (_G, _V.REMOVE): _I,
    (_G, _V.BACK_TRUE): _B, (_G, _V.BACK_FALSE): _A,
    (_H, _V.RAISE): _H, (_H, _V.CLEAR): _H, (_H, _V.ACK): _H, (_H, _V.RESET): _H,
    (_H, _V.SHELVE): _H, (_H, _V.SUPPRESS): _H, (_H, _V.REMOVE): _I,
    (_H, _V.BACK_TRUE): _B, (_H, _V.BACK_FALSE): _A,
    (_I, _V.RAISE): _I, (_I, _V.CLEAR): _I, (_I, _V.ACK): _I, (_I, _V.RESET): _I,
    (_I, _V.SHELVE): _I, (_I, _V.SUPPRESS): _I, (_I, _V.REMOVE): _I,
    (_I, _V.BACK_TRUE): _B, (_I, _V.BACK_FALSE): _A,
}  # fmt: skip

PLAIN: Final[Mapping[tuple[AlarmState, AlarmEvent], AlarmState]] = {
    (_B, _V.CLEAR): _D,
    (_C, _V.CLEAR): _A,
}

ASIDE: Final = frozenset({_G, _H, _I})
ANNUNCIATED: Final = frozenset({_B, _C, _D, _E, _F})
UNSEEN: Final = frozenset({_B, _D, _E})
STANDING: Final = frozenset({_B, _C})
"""States in which the condition is true now."""


def next_state(state: AlarmState, event: AlarmEvent, latching: bool) -> AlarmState:
    """Look a cell up."""
    if not latching and (state, event) in PLAIN:
        return PLAIN[state, event]
    return TABLE[state, event]


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one station. `raised_s` is its latest raising, in engine seconds.

    `until_s`, `by` and `why` mean something only while it is set aside.
    """

    state: AlarmState = AlarmState.NORMAL
    raised_s: float = 0.0
    acked_by: str = ""
    until_s: float = inf  # when a shelf ends by itself
    by: str = ""  # who set it aside
    why: str = ""


def step(alarm: Alarm, event: AlarmEvent, now_s: float, latching: bool, by: str = "") -> Alarm:
    """Return the alarm after an event. Total over every state and event."""
    state = next_state(alarm.state, event, latching)
    if state is alarm.state:
        return alarm
    if state is AlarmState.UNACKED:
        return Alarm(state, now_s, "")
    if alarm.state in ASIDE and state not in ASIDE:
        return Alarm(state, alarm.raised_s)
    if event is AlarmEvent.ACK:
        return replace(alarm, state=state, acked_by=by)
    return replace(alarm, state=state)


FLOOD_WINDOW_S: Final = 600.0  # ANSI/ISA-18.2 and IEC 62682: counted over ten minutes
FLOOD_BEGINS: Final = 10  # more than ten annunciated alarms in the window
FLOOD_ENDS: Final = 5  # fewer than five
FLOOD_KEPT: Final = 1000


def lately(raised_s: tuple[float, ...], now_s: float) -> tuple[float, ...]:
    """Return the raisings that still lie in the window; bounded, since only a count matters."""
    return tuple(at_s for at_s in raised_s if now_s - at_s < FLOOD_WINDOW_S)[-FLOOD_KEPT:]


def flooded(before: bool, count: int) -> bool:
    """Return whether there is an alarm flood, after `count` raisings in the window."""
    return count >= FLOOD_ENDS if before else count > FLOOD_BEGINS
