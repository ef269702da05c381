"""The phases of a fill, and of a drain.

Theory. A station rests in *idle*. A person's request leads to *checking*: every permissive must
pass before a drop flows. *Filling* and *draining* are the only phases in which permits are issued,
each for its own valve. *Holding* is shut but may go on by itself, a bounded number of times; a
drain never holds, it stops. When the target is reached the valve is told to
shut (*closing*), the node must report it shut, and the water is watched a while longer (*settling*)
before the fill is *done*. From anywhere a trip leads to *stopped*, which only a person's reset
leaves, and only once nothing is wrong any more. There is no way from *stopped*, *holding* or *done*
to *filling* or *draining* that does not pass the permissives again.

`TABLE` is the whole product of phases and events.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final


class Phase(StrEnum):
    """Where a station stands."""

    IDLE = "idle"
    CHECKING = "checking"
    FILLING = "filling"
    DRAINING = "draining"
    HOLDING = "holding"
    CLOSING = "closing"
    SETTLING = "settling"
    DONE = "done"
    STOPPED = "stopped"


class Turn(StrEnum):
    """What moves a station from one phase to another."""

    ASKED = "asked"  # a person asks for a fill, and it is not refused outright
    PASSED = "passed"  # every permissive of a fill holds
    PASSED_OUT = "passed-out"  # every permissive of a drain holds
    REFUSED = "refused"  # they did not hold in time
    TARGET = "target"  # the water is where it should be
    HOLD = "hold"  # a rule says wait
    TRIP = "trip"  # a rule says close
    SHUT = "shut"  # the node reports the valve shut
    SETTLED = "settled"  # the water has been watched long enough after closing
    STOP = "stop"  # a person says stop
    RESET = "reset"  # a person resets, and nothing is wrong any more


_P, _T = Phase, Turn

TABLE: Final[Mapping[tuple[Phase, Turn], Phase]] = {
    (_P.IDLE, _T.ASKED): _P.CHECKING,
    (_P.IDLE, _T.PASSED): _P.IDLE,
    (_P.IDLE, _T.PASSED_OUT): _P.IDLE,
    (_P.IDLE, _T.REFUSED): _P.IDLE,
    (_P.IDLE, _T.TARGET): _P.IDLE,
    (_P.IDLE, _T.HOLD): _P.IDLE,
    (_P.IDLE, _T.TRIP): _P.STOPPED,
    (_P.IDLE, _T.SHUT): _P.IDLE,
    (_P.IDLE, _T.SETTLED): _P.IDLE,
    (_P.IDLE, _T.STOP): _P.IDLE,
    (_P.IDLE, _T.RESET): _P.IDLE,
    (_P.CHECKING, _T.ASKED): _P.CHECKING,
    (_P.CHECKING, _T.PASSED): _P.FILLING,
    (_P.CHECKING, _T.PASSED_OUT): _P.DRAINING,
    (_P.CHECKING, _T.REFUSED): _P.IDLE,
    (_P.CHECKING, _T.TARGET): _P.CHECKING,
    (_P.CHECKING, _T.HOLD): _P.CHECKING,
    (_P.CHECKING, _T.TRIP): _P.STOPPED,
    (_P.CHECKING, _T.SHUT): _P.CHECKING,
    (_P.CHECKING, _T.SETTLED): _P.CHECKING,
    (_P.CHECKING, _T.STOP): _P.IDLE,
    (_P.CHECKING, _T.RESET): _P.CHECKING,
    (_P.FILLING, _T.ASKED): _P.FILLING,
    (_P.FILLING, _T.PASSED): _P.FILLING,
    (_P.FILLING, _T.PASSED_OUT): _P.FILLING,
    (_P.FILLING, _T.REFUSED): _P.FILLING,
    (_P.FILLING, _T.TARGET): _P.CLOSING,
    (_P.FILLING, _T.HOLD): _P.HOLDING,
    (_P.FILLING, _T.TRIP): _P.STOPPED,
    (_P.FILLING, _T.SHUT): _P.FILLING,
    (_P.FILLING, _T.SETTLED): _P.FILLING,
    (_P.FILLING, _T.STOP): _P.STOPPED,
    (_P.FILLING, _T.RESET): _P.FILLING,
    (_P.DRAINING, _T.ASKED): _P.DRAINING,
    (_P.DRAINING, _T.PASSED): _P.DRAINING,
    (_P.DRAINING, _T.PASSED_OUT): _P.DRAINING,
    (_P.DRAINING, _T.REFUSED): _P.DRAINING,
    (_P.DRAINING, _T.TARGET): _P.CLOSING,
    (_P.DRAINING, _T.HOLD): _P.STOPPED,
    (_P.DRAINING, _T.TRIP): _P.STOPPED,
    (_P.DRAINING, _T.SHUT): _P.DRAINING,
    (_P.DRAINING, _T.SETTLED): _P.DRAINING,
    (_P.DRAINING, _T.STOP): _P.STOPPED,
    (_P.DRAINING, _T.RESET): _P.DRAINING,
    (_P.HOLDING, _T.ASKED): _P.HOLDING,
    (_P.HOLDING, _T.PASSED): _P.FILLING,
    (_P.HOLDING, _T.PASSED_OUT): _P.HOLDING,
    (_P.HOLDING, _T.REFUSED): _P.STOPPED,
    (_P.HOLDING, _T.TARGET): _P.CLOSING,
    (_P.HOLDING, _T.HOLD): _P.HOLDING,
    (_P.HOLDING, _T.TRIP): _P.STOPPED,
    (_P.HOLDING, _T.SHUT): _P.HOLDING,
    (_P.HOLDING, _T.SETTLED): _P.HOLDING,
    (_P.HOLDING, _T.STOP): _P.STOPPED,
    (_P.HOLDING, _T.RESET): _P.HOLDING,
    (_P.CLOSING, _T.ASKED): _P.CLOSING,
    (_P.CLOSING, _T.PASSED): _P.CLOSING,
    (_P.CLOSING, _T.PASSED_OUT): _P.CLOSING,
    (_P.CLOSING, _T.REFUSED): _P.CLOSING,
    (_P.CLOSING, _T.TARGET): _P.CLOSING,
    (_P.CLOSING, _T.HOLD): _P.CLOSING,
    (_P.CLOSING, _T.TRIP): _P.STOPPED,
    (_P.CLOSING, _T.SHUT): _P.SETTLING,
    (_P.CLOSING, _T.SETTLED): _P.CLOSING,
    (_P.CLOSING, _T.STOP): _P.STOPPED,
    (_P.CLOSING, _T.RESET): _P.CLOSING,
    (_P.SETTLING, _T.ASKED): _P.SETTLING,
    (_P.SETTLING, _T.PASSED): _P.SETTLING,
    (_P.SETTLING, _T.PASSED_OUT): _P.SETTLING,
    (_P.SETTLING, _T.REFUSED): _P.SETTLING,
    (_P.SETTLING, _T.TARGET): _P.SETTLING,
    (_P.SETTLING, _T.HOLD): _P.SETTLING,
    (_P.SETTLING, _T.TRIP): _P.STOPPED,
    (_P.SETTLING, _T.SHUT): _P.SETTLING,
    (_P.SETTLING, _T.SETTLED): _P.DONE,
    (_P.SETTLING, _T.STOP): _P.STOPPED,
    (_P.SETTLING, _T.RESET): _P.SETTLING,
    (_P.DONE, _T.ASKED): _P.CHECKING,
    (_P.DONE, _T.PASSED): _P.DONE,
    (_P.DONE, _T.PASSED_OUT): _P.DONE,
    (_P.DONE, _T.REFUSED): _P.DONE,
    (_P.DONE, _T.TARGET): _P.DONE,
    (_P.DONE, _T.HOLD): _P.DONE,
    (_P.DONE, _T.TRIP): _P.STOPPED,
    (_P.DONE, _T.SHUT): _P.DONE,
    (_P.DONE, _T.SETTLED): _P.DONE,
    (_P.DONE, _T.STOP): _P.DONE,
    (_P.DONE, _T.RESET): _P.IDLE,
    (_P.STOPPED, _T.ASKED): _P.STOPPED,
    (_P.STOPPED, _T.PASSED): _P.STOPPED,
    (_P.STOPPED, _T.PASSED_OUT): _P.STOPPED,
    (_P.STOPPED, _T.REFUSED): _P.STOPPED,
    (_P.STOPPED, _T.TARGET): _P.STOPPED,
    (_P.STOPPED, _T.HOLD): _P.STOPPED,
    (_P.STOPPED, _T.TRIP): _P.STOPPED,
    (_P.STOPPED, _T.SHUT): _P.STOPPED,
    (_P.STOPPED, _T.SETTLED): _P.STOPPED,
    (_P.STOPPED, _T.STOP): _P.STOPPED,
    (_P.STOPPED, _T.RESET): _P.IDLE,
}

WATER_MAY_FLOW: Final = frozenset({Phase.FILLING, Phase.DRAINING})
UNDER_WAY: Final = WATER_MAY_FLOW | {Phase.HOLDING, Phase.CLOSING, Phase.SETTLING}
"""Phases that belong to a fill or a drain that has begun and not yet ended."""

AFTER_CLOSING: Final = frozenset({Phase.HOLDING, Phase.CLOSING, Phase.SETTLING, Phase.STOPPED})
"""Phases in which the valve was told to shut not long ago."""

AT_REST: Final = frozenset({Phase.IDLE, Phase.CHECKING, Phase.DONE})
EVERY: Final = frozenset(Phase)
