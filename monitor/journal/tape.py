"""The core's inputs as text and back, so that a fill can be played again with the same decisions.

A tape begins with the station's whole state at the moment the valve was first opened; every input
follows, each with the engine second at which it was taken. Both are plain records, so one schema
made from their types writes and reads them. It is made when the first fill needs it.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from pydantic import TypeAdapter

from monitor.core.changed import changed
from monitor.core.events import (
    Asked,
    Echo,
    Given,
    Guarded,
    Heard,
    Here,
    Linked,
    Plugged,
    Tick,
    Told,
)
from monitor.core.plan import Station
from monitor.core.rules import settled
from monitor.errors import BrimwatchError

STATE = "state"
KINDS: dict[str, type[Any]] = {
    STATE: Station,
    "heard": Heard,
    "guarded": Guarded,
    "here": Here,
    "linked": Linked,
    "echo": Echo,
    "asked": Asked,
    "told": Told,
    "plugged": Plugged,
    "tick": Tick,
}
_NAMES = {kind: name for name, kind in KINDS.items()}
PAYLOAD_MAX = 256 * 1024  # characters; a whole state has some thousands


@cache
def _adapter(kind: str) -> TypeAdapter[Any]:
    """Return the schema of one kind."""
    return TypeAdapter(KINDS[kind])


def encode(what: Given | Station) -> tuple[str, str]:
    """Return the kind and the text of an input or a state."""
    kind = _NAMES[type(what)]
    plain = _adapter(kind).dump_python(what, mode="json")
    return kind, json.dumps(plain, separators=(",", ":"))


def decode(kind: str, payload: str) -> Any:
    """Return the input or the state of a line of the tape.

    Raises:
        BrimwatchError: the line is of no known kind, or not what that kind must be.
    """
    if kind not in KINDS or len(payload) > PAYLOAD_MAX:
        raise BrimwatchError(f"the tape has a line of an unknown kind {kind[:32]!r}")
    try:
        # Not pydantic's own JSON: a state is full of infinities, which that one writes as null.
        what = _adapter(kind).validate_python(json.loads(payload))
    except (ValueError, RecursionError):
        raise BrimwatchError(f"the tape has a damaged {kind}") from None
    return changed(what, alarms=settled(what.alarms)) if isinstance(what, Station) else what
