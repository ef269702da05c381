"""Logs: lines for a person on a terminal, JSON for a service; secrets hidden, all text bounded.

Every line goes to standard error, ours and those of the libraries alike. Call `configure` once,
at the start; take loggers from `get_logger`.
"""

from __future__ import annotations

import logging
import math
import os
import re
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from itertools import islice
from typing import Any, Literal, TextIO, cast

# structlog draws tracebacks with rich wherever that is installed, and one of our libraries brings
# it along. We never show those, and leaving rich out saves two thirds of the import time.
_RICH_IS_NEW = sys.modules.setdefault("rich", cast(Any, None)) is None
import structlog  # noqa: E402 - see above
from structlog.typing import EventDict, Processor  # noqa: E402

if _RICH_IS_NEW:
    del sys.modules["rich"]

Style = Literal["auto", "console", "json"]

OURS = "monitor"
VALUE_CHARS = 512
TRACE_CHARS = 4096
TEXT_MAX_CHARS = 65_536  # no more of a text is looked at
JSON_INT_MAX = 2**63  # longer numbers are shown as text
ITEMS_MAX = 64
DEPTH_MAX = 4
HIDDEN = "[hidden]"
LEVELS = ("debug", "info", "warning", "error", "critical")
TRACES = frozenset({"exception", "stack"})

_SECRET = r"(?:passw(?:or)?d|secret|token|authorization)"  # noqa: S105 - names, not a password
_SECRET_KEY = re.compile(_SECRET, re.IGNORECASE)
# user:password@ before a host. A password that holds an @ or, against the rules, a slash is taken
# whole; hiding too much of a line is the lesser evil.
_URL_LOGIN = re.compile(r"(\b[a-z][a-z0-9+.-]*://)(?:[^\s/@:]*:\S*|[^\s/@]*)@", re.IGNORECASE)
# password=…, "token": "…", Authorization: Bearer …, in the middle of a sentence.
_SAID = re.compile(
    rf"({_SECRET}\w*[\"']?\s*[=:]\s*)"
    r"(?:(?:bearer|basic|digest)\s+)?(?:\"[^\"]*\"?|'[^']*'?|[^\s,;&}]+)",
    re.IGNORECASE,
)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
_CONTROL_IN_TRACE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


class _Handler(logging.StreamHandler[TextIO]):
    """Ours, told apart from anybody else's when logging is set up again."""


def is_service() -> bool:
    """Return whether a service manager started us (systemd sets these variables)."""
    return "JOURNAL_STREAM" in os.environ or "INVOCATION_ID" in os.environ


def configure(
    *,
    station: str | None = None,
    simulated: bool = False,
    level: str = "info",
    style: Style = "auto",
    stream: TextIO | None = None,
    wall: Callable[[], datetime] | None = None,
) -> None:
    """Set up logging for the whole process; a second call replaces the first.

    `style` "auto" means console on a terminal, JSON elsewhere and under a service manager.
    `station` and, where true, `simulated` stand on every line. `wall` stamps the lines (UTC now
    by default). Libraries are heard from "warning" on, or at `level` where that is higher.

    Raises ValueError for an unknown level.
    """
    if level not in LEVELS:
        raise ValueError(f"log level {level!r} is not known (allowed: {', '.join(LEVELS)})")
    out = sys.stderr if stream is None else stream
    terminal = out.isatty()
    as_json = style == "json" or (style == "auto" and (is_service() or not terminal))
    shared: list[Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        _stamper(station, simulated, wall if wall is not None else _utc_now),
    ]
    handler = _Handler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,
                tidy,
                structlog.processors.JSONRenderer() if as_json else _console(terminal),
            ],
        )
    )
    number = logging.getLevelNamesMapping()[level.upper()]
    root = logging.getLogger()
    for old in [one for one in root.handlers if isinstance(one, _Handler)]:
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(max(number, logging.WARNING))
    logging.getLogger(OURS).setLevel(number)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.PositionalArgumentsFormatter(),
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
    )


def get_logger(name: str) -> structlog.stdlib.BoundLogger:
    """Return a logger for a module; give it `__name__`. It may be taken before `configure`."""
    ours = name if name.split(".", 1)[0] == OURS else f"{OURS}.{name}"
    return structlog.stdlib.get_logger(ours)


def tidy(_logger: object, _method: str, line: EventDict) -> EventDict:
    """Hide secrets in a line and bound every text in it (a structlog processor)."""
    return {
        _text(str(key)): _trace(value) if key in TRACES else _value(key, value, DEPTH_MAX)
        for key, value in islice(line.items(), ITEMS_MAX)
    }


def hide_secrets(text: str) -> str:
    """Return text with the logins of URLs and the values of spoken-out secrets hidden."""
    return _SAID.sub(rf"\g<1>{HIDDEN}", _URL_LOGIN.sub(rf"\g<1>{HIDDEN}@", text))


def _value(key: object, value: object, depth: int) -> object:
    """Return a value fit for both renderers, by its kind; `depth` bounds nesting."""
    if isinstance(key, str) and _SECRET_KEY.search(key):
        return HIDDEN
    match value:
        case None | bool():
            return value
        case int() if abs(value) < JSON_INT_MAX:
            return int(value)
        case float() if math.isfinite(value):
            return float(value)
        case Mapping() if depth > 0:
            items = islice(value.items(), ITEMS_MAX)
            return {_text(_str(name)): _value(name, item, depth - 1) for name, item in items}
        case list() | tuple() | set() | frozenset() if depth > 0:
            return [_value(None, item, depth - 1) for item in islice(value, ITEMS_MAX)]
        case bytes():
            return _text(value[:TEXT_MAX_CHARS].decode("utf-8", "replace"))
    return _text(_str(value))


def _str(value: object) -> str:
    try:
        return str(value)
    except Exception:  # noqa: BLE001 - a line must come out, whatever its values are like
        return f"<{type(value).__name__} without text>"


def _text(text: str) -> str:
    """Return one line of bounded text; control characters are escaped, so none can forge a line."""
    plain = _CONTROL.sub(_escape, hide_secrets(text[:TEXT_MAX_CHARS]))
    return plain if len(plain) <= VALUE_CHARS else plain[: VALUE_CHARS - 1] + "…"


def _trace(value: object) -> str:
    """Return a bounded traceback, which keeps its lines and, when too long, its end."""
    plain = _CONTROL_IN_TRACE.sub(_escape, hide_secrets(_str(value)[-TEXT_MAX_CHARS:]))
    return plain if len(plain) <= TRACE_CHARS else "…" + plain[1 - TRACE_CHARS :]


def _escape(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape").decode("ascii")


def _stamper(station: str | None, simulated: bool, wall: Callable[[], datetime]) -> Processor:
    """Return the processor that puts on every line what all lines of this process share."""

    def stamp(_logger: object, _method: str, line: EventDict) -> EventDict:
        line["timestamp"] = wall().astimezone(UTC).isoformat(timespec="milliseconds")
        if station is not None:
            line.setdefault("station", station)
        if simulated:
            line["simulated"] = True
        return line

    return stamp


def _console(terminal: bool) -> Processor:
    return structlog.dev.ConsoleRenderer(
        colors=terminal and not os.environ.get("NO_COLOR"),
        exception_formatter=structlog.dev.plain_traceback,
        sort_keys=False,
    )


def _utc_now() -> datetime:
    return datetime.now(UTC)
