"""What the core cannot sense and the shell has to tell it: proof tests, cartridge, people, record.

Moments are engine seconds, like everything in the core; the shell works them out from the record's
dates once, so that a clock that jumps later changes no age. Nothing known means nothing proven.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf

from monitor.core.priors import Priors

VALVE = "valve"  # the part that is proven by opening and shutting it


@dataclass(frozen=True, slots=True)
class Facts:
    """All of it at once; a new one replaces the whole of the old one.

    `proven_s` has a part's id (a sensor's, or VALVE) and when its last good proof test was.
    """

    proven_s: Mapping[str, float] = field(default_factory=dict)
    cartridge_l: float = inf  # through the cartridge since it was new
    cartridge_s: float = -inf  # when it was new
    people_s: float = -inf  # when somebody was last known to be reachable
    record: str = ""  # how the record fares, one sentence; empty when all is well
    rejected_per_min: float = 0.0  # messages nobody could read
    busy: str = ""  # another station that draws on the same supply now
    priors: Priors = field(default=Priors())  # what earlier fills of this station teach


def age_s(then_s: float, now_s: float) -> float:
    """Return how long ago a moment is; infinite for one that never was or is still to come."""
    age = now_s - then_s
    return age if age >= 0.0 else inf  # NaN is not, either


def oldest_proof_s(facts: Facts, parts: tuple[str, ...], now_s: float) -> float:
    """Return the age of the oldest of these parts' proof tests; infinite when one has none."""
    return max((age_s(facts.proven_s.get(part, -inf), now_s) for part in parts), default=0.0)
