"""The inputs of a fill, kept so that the same core can play it again: many to a row, compressed.

Two packs a second apart differ in a few digits. Twenty of them as JSON lines, compressed together,
take an eighth of the room that they take one by one, and a twelfth of the writing.
"""

from __future__ import annotations

import json
import threading
import zlib
from collections.abc import Sequence
from math import isfinite, nan

from monitor.journal.rows import EventMark, InputChunk, InputRecord

CHUNK_INPUTS = 20  # what a killed engine may lose: ten seconds of a pack and a tick a second
CHUNK_CHARS = 64 * 1024  # payload after which a chunk is full with fewer inputs
INPUT_CHARS = 256 * 1024  # of one payload: a station's whole state has some thousands
INPUTS_PER_FILL_MAX = 200_000  # 27 hours of a pack and a tick a second
FILLS_MAX = 64  # fills whose inputs are counted
CHUNK_MAX_BYTES = 8 * (CHUNK_CHARS + INPUT_CHARS)  # unpacked; JSON escapes a letter into six


class Inputs:
    """Numbers inputs and gathers them into chunks. From any thread; never waits for the disk."""

    def __init__(self) -> None:
        """Start with nothing."""
        self._lock = threading.Lock()
        self._counts: dict[str, int] = {}
        self._waiting: dict[str, list[InputRecord]] = {}
        self.refused = 0

    def add(self, fill: str, at_s: float, kind: str, payload: str) -> InputChunk | EventMark | None:
        """Take an input; return a chunk when one is full, or the word that no more are kept.

        An input that cannot be kept whole is left out, and its number with it.
        """
        with self._lock:
            before = self._counts.pop(fill, 0)  # put back as the newest
            n = min(before, INPUTS_PER_FILL_MAX) + 1
            self._counts[fill] = n
            if len(self._counts) > FILLS_MAX:
                self._forget(next(iter(self._counts)))
            if n > INPUTS_PER_FILL_MAX:
                return None if before == n else _the_last_word(fill)
            if not isfinite(at_s) or len(payload) > INPUT_CHARS:
                self.refused += 1
                return None
            waiting = self._waiting.setdefault(fill, [])
            waiting.append(InputRecord(n, float(at_s), kind, payload))
            chars = sum(len(each.payload) for each in waiting)
            if len(waiting) < CHUNK_INPUTS and chars < CHUNK_CHARS:
                return None
            return InputChunk(fill, tuple(self._waiting.pop(fill)))

    def take(self) -> list[InputChunk]:
        """Return what waits, as chunks that are not full."""
        with self._lock:
            chunks = [InputChunk(fill, tuple(lines)) for fill, lines in self._waiting.items()]
            self._waiting.clear()
            return chunks

    @property
    def waiting(self) -> int:
        """How many fills have inputs that are in no chunk yet."""
        return len(self._waiting)

    def _forget(self, fill: str) -> None:
        """Give up a fill that has been silent while many others spoke."""
        del self._counts[fill]
        self.refused += len(self._waiting.pop(fill, ()))


def _the_last_word(fill: str) -> EventMark:
    text = f"The inputs after the first {INPUTS_PER_FILL_MAX} are not kept."
    return EventMark(station="", kind="journal", text=text, at_s=nan, fill=fill)


def packed(inputs: Sequence[InputRecord]) -> bytes:
    """Return inputs as compressed JSON lines. Raises ValueError for text that is no Unicode."""
    lines = (json.dumps((i.n, i.at_s, i.kind, i.payload), ensure_ascii=False) for i in inputs)
    return zlib.compress("\n".join(lines).encode())


def unpacked(chunk: bytes) -> tuple[InputRecord, ...]:
    """Return the inputs of `packed`, to the last bit. Raises ValueError for anything else."""
    try:
        opened = zlib.decompressobj()
        text = opened.decompress(chunk, CHUNK_MAX_BYTES)
        if not opened.eof:
            raise ValueError("a chunk of inputs is cut off")
        return tuple(_record(json.loads(line)) for line in text.decode().split("\n"))
    except (zlib.error, TypeError) as error:
        raise ValueError(f"a chunk of inputs is damaged: {error}") from error


def _record(line: object) -> InputRecord:
    match line:
        case [int(n), float(at_s), str(kind), str(payload)]:
            return InputRecord(n, at_s, kind, payload)
    raise ValueError("a chunk of inputs holds something else")
