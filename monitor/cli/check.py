"""The config, checked: every mistake in it, or what it covers and what a test not done costs."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from math import inf
from typing import Any, Final

import click

from monitor.cli.common import emit, find_config, with_config, with_json
from monitor.config import Config
from monitor.core.coverage import FITS, Covered, Grade, covered
from monitor.core.dangers import pfd_1oo1, pfd_1oo2, pfd_chain
from monitor.core.facts import VALVE
from monitor.core.plan import Plan
from monitor.errors import ConfigErrors, ExitCode, Problem

# Nobody has measured these for such parts; with them the columns can be compared, no more.
ASSUMED_PER_H: Final = 1e-5  # dangerous failures of one part that nothing shows but a proof test
ASSUMED_YEARS: Final = 11  # the same, as people say it
ASSUMED_SHARED: Final = 0.1  # share of one float's failures that strike its neighbour too

OFTEN_D, SELDOM_D = 30.0, 365.0
H_PER_DAY: Final = 24.0
WIDTHS: Final = (44, 96)  # narrow as a telephone, and no wider than is easy to read
LABEL_WIDTH, CELL_WIDTH = 14, 7
GRADES: Final[Mapping[Grade, str]] = {
    Grade.FULL: "covered", Grade.PARTLY: "in part", Grade.NONE: "not covered"
}  # fmt: skip


@click.command()
@with_config
@with_json
@click.option("--machine/--no-machine", default=True, help="Look at this machine too, if a Pi.")
def check(config_path: str | None, as_json: bool, machine: bool) -> int:
    """Check a config: all mistakes, or what it covers and what would cover more.

    Each mistake is told with what is allowed and how to fix it. On a Raspberry Pi, what would keep
    this one from working as well: pins, buses, clock, disk, watchdog.
    """
    try:
        config, _ = find_config(config_path)
    except ConfigErrors as errors:
        for problem in errors.problems:
            if as_json:
                emit(_problem(problem))
            else:
                click.echo(str(problem))
        return ExitCode.USAGE
    from monitor.app import plan_of
    from monitor.wiring.machine import Report, inspect

    plans = [plan_of(station) for station in config.stations.values()]
    report = inspect(config) if machine else Report("", ())
    if as_json:
        for plan in plans:
            for each in (*_hazards(plan), *_proofs(plan)):
                emit(each)
        for each in report.as_dicts():
            emit(each)
        emit({"ok": not report.stops, "file": config.file, "stations": list(config.stations)})
    else:
        told = [line for text in report.lines() for line in _wrapped(text)]
        click.echo("\n".join([*_told(config, plans), *([""] if told else []), *told]))
    return ExitCode.USAGE if report.stops else ExitCode.OK


def _problem(problem: Problem) -> dict[str, Any]:
    return {"ok": False, "file": problem.file, "key": problem.key, "wrong": problem.wrong,
            "allowed": problem.allowed, "fix": problem.fix}  # fmt: skip


def _hazards(plan: Plan) -> Iterator[dict[str, Any]]:
    """Yield one JSON object a hazard."""
    for row in covered(plan):
        fits = [FITS[key].format(plan.station) for key in row.better]
        yield {"ok": True, "station": plan.station, **asdict(row),
               "grade": GRADES[row.grade], "better": fits}  # fmt: skip


def _proofs(plan: Plan) -> Iterator[dict[str, Any]]:
    """Yield one JSON object a kind of part: how likely it fails when needed, by days between
    tests; null days are 'never'.
    """
    for what, parts in _kinds(plan).items():
        fails = [
            {"tested_every_d": days if days < inf else None, "fails": _fails(parts, days)}
            for days in _intervals_d(plan)
        ]
        yield {"ok": True, "station": plan.station, "part": what, "proven": list(plan.proven),
               "at_least_every_d": plan.limits.proof_days, "assumed_failures_per_h": ASSUMED_PER_H,
               "assumed_shared": ASSUMED_SHARED, "untested": fails}  # fmt: skip


def _told(config: Config, plans: Sequence[Plan]) -> Iterator[str]:
    """Yield the whole answer, line by line, as a person reads it."""
    names = ", ".join(config.stations)
    yield f"{config.file}: nothing wrong ({len(plans)} station(s): {names})"
    for plan in plans:
        yield from _coverage_told(plan)
        yield from _proofs_told(plan)


def _coverage_told(plan: Plan) -> Iterator[str]:
    rows = covered(plan)
    counts = ", ".join(
        f"{sum(row.grade is grade for row in rows)} {words}" for grade, words in GRADES.items()
    )
    yield ""
    yield from _wrapped(f"{plan.station}: of {len(rows)} things that can go wrong {counts}.")
    yield ""
    names = [row.name for row in rows if row.grade is Grade.FULL]
    yield from _wrapped(f"Covered: {'; '.join(names)}.")
    for grade in (Grade.PARTLY, Grade.NONE):
        yield from _listed(
            f"{GRADES[grade].capitalize()}, and could be better:",
            [f"{x.id} {x.name}: {x.how}" for x in rows if x.grade is grade and x.better],
        )
    yield from _listed(
        "What would make it better (an id that stands twice needs both):",
        [f"{' '.join(ids)}: {FITS[key].format(plan.station)}" for key, ids in _gains(rows)],
    )
    yield from _listed(
        "Never wholly covered by a program. The rest is for:",
        [f"{row.id} {row.name}: {row.rest}" for row in rows if row.rest],
    )


def _gains(rows: Sequence[Covered]) -> list[tuple[str, list[str]]]:
    """Return what each part that could be fitted is good for, the most useful first."""
    gains: dict[str, list[str]] = {}
    for row in rows:
        for key in row.better:
            gains.setdefault(key, []).append(row.id)
    return sorted(gains.items(), key=lambda gain: -len(gain[1]))


def _listed(title: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield ""
        yield from _wrapped(title)
    for line in lines:
        yield from _wrapped(f"{line}.", "  ")


def _proofs_told(plan: Plan) -> Iterator[str]:
    yield "\nProof tests:"
    yield from _wrapped(
        f"No fill starts unattended when one of {', '.join(plan.proven)} was not proven within "
        f"{plan.limits.proof_days:g} days. Prove each by hand as hardware/README.md says, then "
        f"`brimwatch note {plan.station} proof --part PART`.", "  "
    )  # fmt: skip
    yield from _wrapped(
        f"How often each fails when it is needed, if a part fails unseen once in {ASSUMED_YEARS} "
        f"years, and {ASSUMED_SHARED * 100:g} % of a float's failures strike its neighbour too: "
        "both assumed, not measured.", "  "
    )  # fmt: skip
    days = _intervals_d(plan)
    heads = [f"{each:g} d" if each < inf else "never" for each in days]
    yield _row("tested each", heads)
    for what, parts in _kinds(plan).items():
        yield _row(what, [_odds(_fails(parts, each)) for each in days])


def _kinds(plan: Plan) -> dict[str, tuple[int, ...]]:
    """Return what can fail, and for each of the links it is made of how many parts do the same."""
    floats = len(plan.floats) + len(plan.overs)
    kinds = {"float": (floats,), "leak probe": (1,), VALVE: (1,), "float, valve": (floats, 1)}
    if plan.sump_highs:
        kinds["sump float"] = (len(plan.sump_highs),)
    return kinds


def _fails(links: tuple[int, ...], days: float) -> float:
    """Return how likely a chain fails on demand; more than two parts count as two."""
    hours = days * H_PER_DAY
    return pfd_chain(
        pfd_1oo1(ASSUMED_PER_H, hours) if parts == 1
        else pfd_1oo2(ASSUMED_PER_H, hours, beta=ASSUMED_SHARED)
        for parts in links
    )  # fmt: skip


def _intervals_d(plan: Plan) -> list[float]:
    return sorted({OFTEN_D, plan.limits.proof_days, SELDOM_D, inf})


def _odds(probability: float) -> str:
    return "surely" if probability >= 1.0 else f"1/{1.0 / probability:.0f}"


def _row(label: str, cells: Sequence[str]) -> str:
    return f"  {label:<{LABEL_WIDTH}}{''.join(f'{cell:>{CELL_WIDTH}}' for cell in cells)}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    narrow, wide = WIDTHS
    width = min(max(shutil.get_terminal_size().columns, narrow), wide)
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=indent + "  ",
        break_on_hyphens=False, break_long_words=False,
    )  # fmt: skip
