"""Real household water events as recordings: WEUSEDTO, one-second flow (mL/s) of single fixtures.

Di Mauro, Venticinque, Santonastaso, Di Nardo: WEUSEDTO data, CC BY 4.0. Nobody here made it, and
nothing of it is kept here: it is read where it lies beside the project, if it does.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from monitor.app import plan_of
from monitor.config import Station, loads
from monitor.replay.run import replayed
from support.recordings import Played, config_text

DATA = Path(__file__).parents[3] / "shared" / "data" / "weusedto"
FILES = {
    "washing machine": "feed_Washingmachine.MYD.csv.gz",
    "kitchen faucet": "feed_Kitchenfaucet.MYD.csv.gz",
}
PULSES_PER_L = 1000  # one pulse a millilitre: the data's own resolution
PAUSE_S = 10  # without water for longer is another event; the core waits 13 s
SLIP_S = 3  # the logger leaves a second out every sixteen or so: the flow went on meanwhile
LEAST_L, LEAST_S = 3.0, 30
SHUTTING = 0.8  # of the event's median flow: below it for good, the fixture is shutting its valve
SHARES = (0.25, 0.5, 0.75)
BEFORE_S, AFTER_S = 10, 12


@dataclass(frozen=True)
class Event:
    """Flow in mL/s for each second from the first drop on."""

    flow_mls: tuple[float, ...]

    @property
    def end(self) -> int:
        """The second after the last with full flow: when a target of these litres is reached."""
        full = SHUTTING * median(self.flow_mls)
        return 1 + max(i for i, flow in enumerate(self.flow_mls) if flow >= full)

    def litres(self, second: float) -> float:
        """Litres that have come by a second."""
        whole = int(second)
        part = self.flow_mls[whole] * (second - whole) if whole < len(self.flow_mls) else 0.0
        return (sum(self.flow_mls[:whole]) + part) / 1000.0

    def table(self) -> str:
        """The event as a pulse meter would have counted it, with some quiet before and after."""
        lines = ["t_s,sensor,value"]
        total = 0.0
        for t_s in range(-BEFORE_S, len(self.flow_mls) + AFTER_S):
            lines.append(f"{t_s},meter,{int(total + 1e-6)}")
            total += self.flow_mls[t_s] if 0 <= t_s < len(self.flow_mls) else 0.0
        return "\n".join(lines)


def events(name: str) -> list[Event]:
    """Return the events of a fixture that are long enough for a forecast to mean something."""
    seen: list[tuple[int, float]] = []
    with gzip.open(DATA / FILES[name], "rt") as lines:
        for line in lines:
            parts = re.split(r"[ ,]+", line.strip())
            if re.fullmatch(r"\d+", parts[0]) and float(parts[1]) > 0.0:
                seen.append((int(parts[0]), float(parts[1])))
    return [e for run in _runs(sorted(dict(seen).items())) if (e := _event(run)) is not None]


def _runs(seen: list[tuple[int, float]]) -> Iterator[list[tuple[int, float]]]:
    run = seen[:1]
    for before, row in pairwise(seen):
        if row[0] - before[0] > PAUSE_S:
            yield run
            run = []
        run.append(row)
    yield run


def _event(run: list[tuple[int, float]]) -> Event | None:
    flows: list[float] = []
    for (t_s, flow), (next_s, _) in pairwise([*run, (run[-1][0] + 1, 0.0)]):
        gap_s = next_s - t_s
        flows += [flow] * gap_s if gap_s <= SLIP_S else [flow, *[0.0] * (gap_s - 1)]
    event = Event(tuple(flows))
    return event if event.end >= LEAST_S and event.litres(event.end) >= LEAST_L else None


def station() -> Station:
    """Return a station whose meter counts millilitres."""
    text = config_text().replace("pulses_per_litre = 450", f"pulses_per_litre = {PULSES_PER_L}")
    return loads(text.replace("max_lpm = 25", "max_lpm = 60"), "invented").stations["river"]


@dataclass(frozen=True)
class Row:
    """One event at one share of its time: errors as shares of the remaining time."""

    share: float
    ours: float
    inside: bool
    by_elapsed: float  # elapsed time times what is left over what has come
    by_flow: float  # what is left over the flow of the last ten seconds


def told(event: Event, river: Station, path: Path) -> Played:
    """Play an event up to the litres of its own end."""
    path.write_text(event.table())
    lines = replayed(path, river, plan_of(river), level_m=None, litres=event.litres(event.end))
    return Played(lines)


def rows(event: Event, played: Played) -> list[Row]:
    """Return an event's rows, from the forecast that stood at each share of its time."""
    forecasts = played.of("forecast")
    found = []
    for share in SHARES:
        at: dict[str, Any] | None = None
        for each in forecasts:
            if each["t_s"] <= share * event.end:
                at = each
        if at is None or at["t_s"] <= 0:
            continue
        t_s = float(at["t_s"])
        left_s, left_l = event.end - t_s, event.litres(event.end) - event.litres(t_s)
        by_elapsed = t_s * left_l / max(event.litres(t_s), 1e-9)
        since_s = max(t_s - 10.0, 0.0)
        lately = (event.litres(t_s) - event.litres(since_s)) / (t_s - since_s)
        by_flow = left_l / max(lately, 1e-9)
        found.append(Row(share, abs(at["remaining_s"] - left_s) / left_s,
                         at["low_s"] <= left_s <= at["high_s"], abs(by_elapsed - left_s) / left_s,
                         abs(by_flow - left_s) / left_s))  # fmt: skip
    return found
