"""Debouncing with a bound: chatter may delay a trip a little, it can never starve it.

A contact is *raw active* or *raw quiet* at every moment; between two calls of `step` it keeps the
raw state of the earlier call. Out of that comes the debounced state:

- quiet → active when raw has been active for `hold_s` without a break, or when `bound_s` have
  passed since the first active edge without a quiet gap of `hold_s` in between;
- active → quiet when raw has been quiet for `release_s` without a break.

One step makes at most one transition, so a trip that came due is always shown, however late the
step is called. A clock that goes back, stands on NaN or is infinite cannot measure a hold, so a
raw or pending contact then counts as active at once and an active one stays active.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contact:
    """A debounced contact at one moment (seconds of one monotonic clock).

    `since_s` is when `raw` last changed. `first_s` is the first active edge of the present unrest,
    None while there is none or once `active` is set. `at_s` is the time of the latest step.
    """

    active: bool
    raw: bool
    since_s: float
    first_s: float | None
    at_s: float


@dataclass(frozen=True, slots=True)
class Debounce:
    """How long raw must hold, how long chatter may delay a trip, how long quiet must last.

    All in seconds. A `release_s` shorter than `hold_s` could end a trip in the moment it begins. A
    limit that is NaN or negative never makes a trip later: it counts as passed.
    """

    hold_s: float
    bound_s: float
    release_s: float

    def start(self, raw: bool, now_s: float) -> Contact:
        """Return the first state: a contact found active counts as active without any hold."""
        now_s = now_s if math.isfinite(now_s) else 0.0
        return Contact(active=raw, raw=raw, since_s=now_s, first_s=None, at_s=now_s)

    def step(self, contact: Contact, raw: bool, now_s: float) -> Contact:
        """Return the state at `now_s`, where `raw` was read or became true."""
        if not (contact.at_s <= now_s < math.inf):
            return self._without_clock(contact, raw, now_s)
        active = self._due(contact, now_s)
        since_s = contact.since_s if raw == contact.raw else now_s
        first_s = None if active or contact.active else self._unrest(contact, now_s)
        if raw and not active and first_s is None:
            first_s = now_s
            # A hold or bound of nothing (or of NaN) trips in the very step that sees the edge.
            active = not (self.hold_s > 0 and self.bound_s > 0)
        return Contact(active, raw, since_s, None if active else first_s, now_s)

    def deadline(self, contact: Contact) -> float | None:
        """Return when `step` must be called even without an edge, None when it need not be."""
        if contact.active:
            at_s = contact.since_s + self.release_s
            return at_s if not contact.raw and math.isfinite(at_s) else None
        if contact.first_s is None:
            return None
        bound_s = contact.first_s + self.bound_s
        hold_s = contact.since_s + self.hold_s
        # While raw is quiet the hold ends the unrest, and then there is nothing to wait for.
        at_s = min(bound_s, hold_s)
        return at_s if math.isfinite(at_s) and (contact.raw or bound_s < hold_s) else None

    def _due(self, contact: Contact, now_s: float) -> bool:
        """Return whether the contact is active at `now_s`, before a new raw state is looked at."""
        # Each comparison is written so that a NaN limit falls on the side of active.
        if contact.active:
            return contact.raw or not now_s >= contact.since_s + self.release_s
        if contact.first_s is None:
            return False
        bound_s = contact.first_s + self.bound_s
        hold_s = contact.since_s + self.hold_s
        if contact.raw:
            return not now_s < bound_s or not now_s < hold_s
        return not now_s < bound_s and not hold_s <= bound_s

    def _unrest(self, contact: Contact, now_s: float) -> float | None:
        """Return the first active edge that still counts at `now_s`: a quiet hold ends it."""
        over = not contact.raw and now_s >= contact.since_s + self.hold_s
        return None if over else contact.first_s

    def _without_clock(self, contact: Contact, raw: bool, now_s: float) -> Contact:
        """Return the safe state when the clock went back or is no number."""
        now_s = now_s if math.isfinite(now_s) else contact.at_s
        active = contact.active or contact.first_s is not None or raw
        return Contact(active, raw, now_s, None, now_s)


# A high float must act within 1 s and a chattering one within 3 s (hazards W01, W08, S05, W19); a
# leak within 1 s from wet to relay, chatter included (W06, S03). What is left is for the polling
# that steps in when edges are lost, and for the relay itself.
FLOAT_DEBOUNCE = Debounce(hold_s=0.5, bound_s=1.75, release_s=1.0)
LEAK_DEBOUNCE = Debounce(hold_s=0.2, bound_s=0.6, release_s=1.0)
FLOAT_WORST = Debounce(hold_s=1.0, bound_s=3.0, release_s=60.0)
LEAK_WORST = Debounce(hold_s=1.0, bound_s=1.0, release_s=60.0)
