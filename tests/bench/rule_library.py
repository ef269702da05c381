"""What does a table of plain functions cost beside a general rule library?

    python tests/bench/rule_library.py [--pictures N] [--rounds N] [--seed N] [--json]

The conditions of `monitor/core/hazards.py` are written once more as text, with a station's limits
put in as numbers, and given to `rule-engine` and, where installed, to two evaluators of expressions
that can do the same: `simpleeval` walks a parsed tree, `evalidate` checks the text and compiles it
to Python's own bytecode. Every one first gives its verdict on every condition of every picture; a
verdict that differs from ours, or a condition that the pictures never showed both true and false,
ends the run with exit code 1. Then all conditions are timed a picture at a time, in turn.

Each library gets what was measured to be its fastest form. Pictures are seeded and invented:
scattered ones, in which much is wrong at once, and healthy ones of a running fill.
"""

from __future__ import annotations

import argparse
import ast
import random
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from operator import attrgetter
from statistics import median
from time import perf_counter_ns
from typing import Any

import figures  # puts the project on the path for the imports below

from monitor.core.hazards import BY_KEY, RULES
from monitor.core.limits import DEFAULTS
from monitor.core.phases import Phase
from monitor.core.units import S_PER_MIN
from monitor.core.view import Picture

LEAST_PICTURES = 1000
NS_PER_US = 1000.0
Verdicts = Callable[[Picture], list[bool]]

_L = DEFAULTS
_FLOWS = f"flow_fresh and flow_lpm >= {_L.flow_min_lpm}"
_HEARD_SHUT = f"shut_for_s - silent_s > closing_s + {_L.shut_grace_s}"
_COMING = f"flow_lpm / {S_PER_MIN} * ({_L.reading_period_s} + closing_s)"
_ENOUGH = f"need_l * {1.0 - _L.early_share} - {_L.volume_margin_l}"
_SPEAKING = f"silent_s < {_L.suspect_s}"
_SILENT = f"silent_s >= {_L.permit_ttl_s}"
_LOST = f"{_SILENT} and (not link_up or echo_missing)"

TEXTS = {
    "leak": "leak_wet",
    "over-float": "over_high",
    "valve-flows": f"{_FLOWS} and {_HEARD_SHUT}",
    "valve-open": f"valve_open and {_HEARD_SHUT}",
    "seep": _FLOWS,
    "scald": "temp_fresh and temp_c >= scald_c",
    "over-volume": f"flow_fresh and delivered_l + {_COMING} > volume_limit_l"
                   " or not flow_fresh and delivered_l > volume_limit_l",
    "float-early": f"to_mark and float_fresh and float_high and delivered_l < {_ENOUGH}",
    "over-mark": "not to_mark and float_fresh and float_high",
    "over-time": "elapsed_s > time_limit_s",
    "float-unread": f"not float_fresh and {_SPEAKING}",
    "over-unread": f"not over_fresh and {_SPEAKING}",
    "leak-unread": f"not leak_fresh and {_SPEAKING}",
    "engine-late": "overslept",
    "broker-lost": _LOST,
    "node-gone": f"node_restarted or ({_SILENT} and not ({_LOST}) and node_gone)",
    "node-silent": f"{_SILENT} and not ({_LOST}) and not node_gone",
    "interrupted": "interrupted",
    "twins": "twins",
    "guard-c01": "guard_cause == 'C01'",
    "guard-c02": "guard_cause == 'C02'",
    "guard-w06": "guard_cause == 'W06'",
    "hot": "temp_fresh and purged and temp_c > high_c",
    "cold": "temp_fresh and purged and temp_c < low_c",
    "no-flow": f"flow_fresh and open_for_s > closing_s and flow_lpm < {_L.flow_min_lpm}",
    "temp-unread": f"not temp_fresh and {_SPEAKING}",
    "flow-unread": f"not flow_fresh and {_SPEAKING}",
    "flow-impossible": "flow_fresh and flow_lpm > flow_max_lpm",
    "pump-off": f"pump_for_s >= {_L.pump_confirm_s}",
    "node-quiet": _SILENT,
}  # fmt: skip
"""Our conditions by the key of their rule, in the words that all three libraries understand."""

NAMES = sorted({
    node.id for text in TEXTS.values() for node in ast.walk(ast.parse(text, mode="eval"))
    if isinstance(node, ast.Name)
})  # fmt: skip
HEALTHY = Picture(
    now_s=500.0, phase=Phase.FILLING, temp_c=24.0, flow_lpm=9.5, valve_open=True, open_for_s=300.0,
    delivered_l=50.0, need_l=420.0, volume_limit_l=440.0, elapsed_s=300.0, time_limit_s=3600.0,
    purged=True, low_c=20.0, high_c=28.0, scald_c=43.0, flow_max_lpm=30.0,
)  # fmt: skip


def scattered(chance: random.Random) -> Picture:
    """Return a picture in which anything may be wrong; a bound itself comes up often."""

    def near(*bounds: float, most: float) -> float:
        return chance.choice((*bounds, round(chance.uniform(0.0, most), 3)))

    names = ("float_high", "float_fresh", "over_high", "over_fresh", "leak_wet", "leak_fresh",
             "temp_fresh", "flow_fresh", "link_up", "echo_missing", "overslept", "interrupted",
             "twins", "node_gone", "node_restarted", "valve_open", "to_mark", "purged")  # fmt: skip
    flags: dict[str, Any] = {name: chance.random() < 0.5 for name in names}
    return replace(
        HEALTHY,
        **flags,
        phase=chance.choice(list(Phase)),
        guard_cause=chance.choice(("", "C01", "C02", "W06")),
        temp_c=near(HEALTHY.low_c, HEALTHY.high_c, HEALTHY.scald_c, most=60.0),
        flow_lpm=near(0.0, _L.flow_min_lpm, HEALTHY.flow_max_lpm, most=40.0),
        silent_s=near(_L.suspect_s, _L.permit_ttl_s, most=3.0),
        pump_for_s=near(_L.pump_confirm_s, most=2.0 * _L.pump_confirm_s),
        open_for_s=near(HEALTHY.closing_s, most=3.0),
        shut_for_s=near(0.0, most=12.0),
        delivered_l=near(HEALTHY.volume_limit_l, most=500.0),
        elapsed_s=near(HEALTHY.time_limit_s, most=7200.0),
    )


def healthy(chance: random.Random) -> Picture:
    """Return a picture of a fill in which nothing is wrong."""
    return replace(HEALTHY, flow_lpm=round(chance.uniform(8.0, 11.0), 3),
                   temp_c=round(chance.uniform(22.0, 26.0), 2),
                   delivered_l=round(chance.uniform(1.0, 400.0), 3),
                   elapsed_s=round(chance.uniform(10.0, 2500.0), 1))  # fmt: skip


def ours() -> Verdicts:
    """Return our table's own conditions."""
    conditions = [RULES[BY_KEY[key]].raised for key in TEXTS]
    return lambda picture: [condition(picture) for condition in conditions]


def rule_engine() -> Verdicts:
    """Return rule-engine's rules. Typed contexts and dictionaries were measured to be slower."""
    from rule_engine import Context, Rule

    context = Context(resolver=getattr)
    rules = [Rule(text, context=context) for text in TEXTS.values()]
    return lambda picture: [rule.matches(picture) for rule in rules]


def simpleeval() -> Verdicts:
    """Return simpleeval's walk over trees that were parsed beforehand."""
    from simpleeval import SimpleEval

    walker, values_of = SimpleEval(), attrgetter(*NAMES)
    trees = [(text, walker.parse(text)) for text in TEXTS.values()]

    def verdicts(picture: Picture) -> list[bool]:
        walker.names = dict(zip(NAMES, values_of(picture), strict=True))
        return [bool(walker.eval(text, tree)) for text, tree in trees]

    return verdicts


def evalidate() -> Verdicts:
    """Return evalidate's compiled expressions. Names as locals save it a copy of them each time."""
    from evalidate import base_eval_model

    model, values_of = base_eval_model.clone(), attrgetter(*NAMES)
    model.nodes.append("Mult")
    compiled = [model.expr(text) for text in TEXTS.values()]

    def verdicts(picture: Picture) -> list[bool]:
        values = dict(zip(NAMES, values_of(picture), strict=True))
        return [bool(each.eval(None, values)) for each in compiled]

    return verdicts


def contenders() -> dict[str, Verdicts]:
    """Return all that are installed, ours first. Ends the run when rule-engine is not."""
    found = {"our table": ours()}
    for name, make in (("rule-engine", rule_engine), ("simpleeval", simpleeval),
                       ("evalidate", evalidate)):  # fmt: skip
        try:
            found[name] = make()
        except ImportError:
            if name == "rule-engine":
                sys.exit("nothing to compare with: run `pip install rule-engine`")
    return found


def differences(found: dict[str, Verdicts], pictures: Sequence[Picture]) -> list[str]:
    """Return every verdict that is not ours, and every condition that was never put to the test."""
    wrong: list[str] = []
    seen: set[tuple[str, bool]] = set()
    for number, picture in enumerate(pictures):
        own = dict(zip(TEXTS, found["our table"](picture), strict=True))
        seen |= own.items()
        for name, verdicts in found.items():
            theirs = zip(TEXTS, verdicts(picture), strict=True)
            wrong += [f"picture {number}: {name} says {verdict} of {key!r}, our table does not"
                      for key, verdict in theirs if verdict is not own[key]]  # fmt: skip
    every = ((key, verdict) for key in TEXTS for verdict in (True, False))
    return wrong + [f"{key!r} was never {verdict}" for key, verdict in every
                    if (key, verdict) not in seen]  # fmt: skip


def costs_us(
    found: dict[str, Verdicts], pictures: Sequence[Picture], rounds: int
) -> dict[str, float]:
    """Return each one's median cost of a picture. They take turns, so that load meets them all."""
    costs: dict[str, list[float]] = {name: [] for name in found}
    for _ in range(rounds):
        for name, verdicts in found.items():
            for picture in pictures:
                begin_ns = perf_counter_ns()
                verdicts(picture)
                costs[name].append((perf_counter_ns() - begin_ns) / NS_PER_US)
    return {name: median(each) for name, each in costs.items()}


def result_of(found: dict[str, Verdicts], groups: dict[str, list[Picture]], rounds: int) -> Any:
    """Return what was measured: for each group of pictures, µs and the ratio to ours."""
    measured: dict[str, Any] = {}
    for group, pictures in groups.items():
        costs = costs_us(found, pictures, rounds)
        own = costs["our table"]
        measured[group] = {name: {"median_us": round(cost, 2), "ratio": round(cost / own, 1)}
                           for name, cost in costs.items()}  # fmt: skip
    return measured


def main() -> None:
    """Check, measure and print."""
    parser = argparse.ArgumentParser(description="Our rules beside a general rule library.")
    parser.add_argument("--pictures", type=int, default=2000, help=f"{LEAST_PICTURES} or more")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    if args.pictures < LEAST_PICTURES:
        parser.error(f"--pictures must be {LEAST_PICTURES} or more")
    if args.rounds < 1:
        parser.error("--rounds must be 1 or more")
    if gone := sorted(TEXTS.keys() - BY_KEY.keys()):
        sys.exit(f"conditions of rules that are no longer there: {gone}")
    chance, found = random.Random(args.seed), contenders()
    groups = {"scattered": [scattered(chance) for _ in range(args.pictures)],
              "healthy": [healthy(chance) for _ in range(args.pictures)]}  # fmt: skip
    if wrong := differences(found, [*groups["scattered"], *groups["healthy"]]):
        sys.exit("\n".join([*wrong[:20], f"{len(wrong)} differences in all"]))
    measured = result_of(found, groups, args.rounds)
    checked = 2 * args.pictures
    rows: list[Sequence[object]] = [
        ("all conditions", *(head for group in groups for head in (f"{group} µs", "times ours")))
    ]
    rows += [(name, *(cell for group in groups for cell in measured[group][name].values()))
             for name in found]  # fmt: skip
    figures.tell(
        {"rules": len(TEXTS), "rules_in_all": len(RULES), "pictures": checked,
         "seed": args.seed, "groups": measured, "load": figures.load_average()},
        f"{len(TEXTS)} of {len(RULES)} conditions, same verdicts on {checked} pictures; median of "
        f"one picture\n{figures.table(rows)}", as_json=args.json,
    )  # fmt: skip


if __name__ == "__main__":
    main()
