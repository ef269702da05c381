"""JSON as it may arrive from anywhere: bounded, checked, and with one error for all its faults."""

from __future__ import annotations

import json
from math import isfinite
from typing import Any, Final, NoReturn

from monitor.errors import BrimwatchError

MAX_PAYLOAD_BYTES: Final = 64 * 1024
MAX_TOKEN: Final = 64  # characters in a boot, a fill or another name a program made
MAX_DEPTH: Final = 8  # our deepest message needs four; deeper is somebody trying something
MAX_INT: Final = 2**53 - 1  # beyond it JSON readers disagree on the value (RFC 7493 section 2.2)


class MalformedError(BrimwatchError, ValueError):
    """A topic or a payload is not what our link carries. The message is dropped and counted."""


def parse_json(payload: bytes, where: str) -> Any:
    """Return the JSON value of a payload.

    Raises:
        MalformedError: more than 64 KiB, not UTF-8, not JSON, a name given twice in one object,
            or a number that is not finite as written.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise MalformedError(
            f"payload of {len(payload)} bytes", where=where, allowed=f"{MAX_PAYLOAD_BYTES} bytes"
        )
    try:
        return _DECODER.decode(payload.decode("utf-8"))
    except MalformedError as error:
        error.where = where
        raise
    except RecursionError:
        raise MalformedError("payload is nested too deep", where=where) from None
    except ValueError as error:
        # Every error of the codec and the decoder is a ValueError; the payload itself stays out.
        reason = "not UTF-8" if isinstance(error, UnicodeDecodeError) else "not JSON"
        raise MalformedError(f"payload is {reason}", where=where, allowed="JSON in UTF-8") from None


def dump_json(value: Any, where: str) -> bytes:
    """Return the compact JSON text of a value as UTF-8.

    Raises:
        MalformedError: a value JSON cannot say (NaN, a surrogate), or more than 64 KiB.
    """
    try:
        payload = _ENCODER.encode(value).encode("utf-8")
    except (TypeError, ValueError, RecursionError) as error:
        raise MalformedError(f"value cannot be said in JSON: {error}", where=where) from None
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise MalformedError(
            f"payload of {len(payload)} bytes", where=where, allowed=f"{MAX_PAYLOAD_BYTES} bytes"
        )
    return payload


def sound(value: Any, depth: int = MAX_DEPTH) -> Any:
    """Return a free-form JSON value unchanged when all of it is finite, bounded and encodable.

    Raises:
        ValueError: it is not; the text says why.
    """
    if depth < 0:
        raise ValueError(f"nested deeper than {MAX_DEPTH}")
    match value:
        case None | bool():
            pass
        case str():
            value.encode("utf-8")  # a lone surrogate raises UnicodeEncodeError, a ValueError
        case int() if abs(value) > MAX_INT:
            raise ValueError("an integer beyond ±(2^53 - 1)")
        case float() if not isfinite(value):
            raise ValueError("a number that is not finite")
        case int() | float():
            pass
        case list():
            for item in value:
                sound(item, depth - 1)
        case dict():
            for key, item in value.items():
                if not isinstance(key, str):
                    raise ValueError("a key that is not text")
                sound(key, depth)
                sound(item, depth - 1)
        case _:
            raise ValueError(f"a {type(value).__name__}, which JSON does not have")
    return value


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a name given twice: readers disagree on which one counts (RFC 8259 section 4)."""
    made = dict(pairs)
    if len(made) != len(pairs):
        raise MalformedError("a name is given twice in one object")
    return made


def _refuse_constant(name: str) -> NoReturn:
    raise MalformedError(f"{name} is not a JSON number")


# Made once: json.loads builds a new decoder on every call that passes a hook.
_DECODER: Final = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_refuse_constant)
_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"))
