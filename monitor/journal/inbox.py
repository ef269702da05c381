"""The bounded queue between the engine and the record's writer thread."""

from __future__ import annotations

import threading
from collections import deque
from enum import IntEnum
from operator import itemgetter
from typing import Generic, TypeVar

Item = TypeVar("Item")


class Lane(IntEnum):
    """How dear a row is. Each lane has its own room, so none can push another out."""

    SAMPLE = 0  # the oldest makes room for the newest
    EVENT = 1  # the same
    KEPT = 2  # starts, ends, alarms and notes: dropped only past a room no real station fills
    INPUT = 3  # chunks of inputs: as samples, which matter more


ROOM: dict[Lane, int] = {
    Lane.SAMPLE: 7_200,
    Lane.EVENT: 1_000,
    Lane.KEPT: 10_000,
    Lane.INPUT: 500,  # an hour, in some megabytes
}
WAKE_AT = 500  # this many waiting samples are written without waiting for the clock
DUE_AT: dict[Lane, int] = {Lane.SAMPLE: WAKE_AT, Lane.EVENT: 1, Lane.KEPT: 1, Lane.INPUT: 50}


class Inbox(Generic[Item]):
    """Rows from any thread, handed out in the order they came. `put` never waits for the disk."""

    def __init__(self, room: dict[Lane, int] | None = None) -> None:
        """Start empty, with room for so many rows per lane."""
        self._room = ROOM if room is None else room
        self._lanes: tuple[deque[tuple[int, Item]], ...] = tuple(deque() for _ in Lane)
        self._changed = threading.Condition(threading.Lock())
        self._count = 0
        self._dropped = [0 for _ in Lane]
        self._closing = False

    def put(self, lane: Lane, item: Item) -> None:
        """Take a row; when its lane is full the oldest of that lane is dropped and counted."""
        with self._changed:
            waiting = self._lanes[lane]
            if len(waiting) >= self._room[lane]:
                waiting.popleft()
                self._dropped[lane] += 1
            self._count += 1
            waiting.append((self._count, item))
            # A sample in the middle of a batch need not wake anybody.
            if DUE_AT[lane] == 1 or len(waiting) in {1, DUE_AT[lane]}:
                self._changed.notify()

    def take(self, patience_s: float) -> list[Item]:
        """Wait for rows, then up to `patience_s` for more unless one is urgent; take them all.

        An empty list means that the inbox is closing and nothing is left.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._closing or any(self._lanes))
            self._changed.wait_for(self._is_due, timeout=patience_s)
            numbered = [pair for lane in self._lanes for pair in lane]
            for lane in self._lanes:
                lane.clear()
        numbered.sort(key=itemgetter(0))
        return [item for _, item in numbered]

    def _is_due(self) -> bool:
        return self._closing or any(
            len(waiting) >= DUE_AT[lane] for lane, waiting in zip(Lane, self._lanes, strict=True)
        )

    def rest(self, pause_s: float) -> bool:
        """Wait out a pause, cut short by closing. Return whether the inbox is closing."""
        with self._changed:
            return self._changed.wait_for(lambda: self._closing, timeout=pause_s)

    def close(self) -> None:
        """Ask for what waits to be written at once. Rows may still be put; nobody is told."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()

    @property
    def waiting(self) -> int:
        """How many rows wait."""
        return sum(len(lane) for lane in self._lanes)

    def dropped(self, lane: Lane) -> int:
        """How many rows of this lane were dropped for want of room since the start."""
        return self._dropped[lane]
