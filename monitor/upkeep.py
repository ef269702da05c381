"""What the engine tells its core beside the sensors: proofs, cartridge, people, record, supply.

The record keeps the upkeep, the link counts what nobody could read, and the other stations' own
words say whether they draw on the same supply. All of it becomes one `Facts`.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace

from monitor.core.events import Noted
from monitor.core.exchange import Status
from monitor.core.facts import Facts
from monitor.core.phases import UNDER_WAY, Phase
from monitor.core.plan import Plan
from monitor.core.units import S_PER_MIN
from monitor.ports import Clock, Link, Record

HEARD_S = 6.0  # three of the statuses a station under way sends; a silent one's valve is shut
CHECKING_S = 20.0  # longer than any check, which sends its status but once
RATE_S = 10.0  # unreadable messages are counted over this long
STATIONS_MAX = 64


@dataclass(slots=True)
class Upkeep:
    """Gathers the facts of one station."""

    plan: Plan
    link: Link
    clock: Clock
    record: Record
    simulated: bool
    _told: Facts = field(default_factory=Facts)
    _others: dict[str, tuple[str, float]] = field(default_factory=dict)
    _rate_from: tuple[float, int] = (0.0, 0)
    _per_min: float = 0.0

    async def load(self) -> None:
        """Ask the record what it knows. It waits for the disk, so not in the event loop."""
        now_s = self.clock.now_s()
        self._rate_from = (now_s, self.link.rejected)
        self._told = await asyncio.to_thread(self._ask, now_s)

    def _ask(self, now_s: float) -> Facts:
        station = self.plan.station
        facts = self.record.facts(station, now_s, self.simulated)
        return replace(facts, priors=self.record.priors(station, self.simulated))

    def note(self, noted: Noted) -> None:
        """Keep what a person has done or proven, and know it from now on."""
        now_s = self.clock.now_s()
        self.record.note(self.plan.station, noted.what, noted.part, noted.by, self.simulated)
        match noted.what:
            case "proof":
                proven = {**self._told.proven_s, noted.part: now_s}
                self._told = replace(self._told, proven_s=proven)
            case "cartridge":
                self._told = replace(self._told, cartridge_l=0.0, cartridge_s=now_s)
            case _:
                self._told = replace(self._told, people_s=now_s)

    def filled(self, litres: float) -> None:
        """Count a fill's litres through the cartridge."""
        self._told = replace(self._told, cartridge_l=self._told.cartridge_l + litres)

    def heard(self, status: Status) -> None:
        """Take another station's word for what it does, if it draws on the same supply."""
        data = status.data
        if status.station == self.plan.station or data.get("supply") != self.plan.supply:
            return
        if status.station in self._others or len(self._others) < STATIONS_MAX:
            drains = isinstance(data.get("fill"), dict) and data["fill"].get("way") == "out"
            phase = "" if drains else str(data.get("phase"))
            self._others[status.station] = (phase, self.clock.now_s())

    def facts(self) -> Facts:
        """Return all of it as it is now."""
        return replace(
            self._told,
            record=self.record.health(),
            rejected_per_min=self._rejected_per_min(),
            busy=self._busy(),
        )

    def _rejected_per_min(self) -> float:
        now_s, count = self.clock.now_s(), self.link.rejected
        since_s, before = self._rate_from
        if now_s - since_s >= RATE_S:
            self._per_min = (count - before) / (now_s - since_s) * S_PER_MIN
            self._rate_from = (now_s, count)
        return self._per_min

    def _busy(self) -> str:
        """Return a station that draws on our supply. Of two that check at once the first in the
        alphabet goes on.
        """
        now_s = self.clock.now_s()
        for station, (phase, at_s) in sorted(self._others.items()):
            if phase in UNDER_WAY and now_s - at_s < HEARD_S:
                return station
            first = phase == Phase.CHECKING and station < self.plan.station
            if first and now_s - at_s < CHECKING_S:
                return station
        return ""
