"""The failure-mode table against the rules, the simulated faults, the tests and SAFETY.md."""

from __future__ import annotations

import ast
import importlib.util
import sys
from functools import cache
from pathlib import Path

import pytest

from monitor.core.coverage import DANGERS, Grade
from monitor.core.hazards import RULES
from monitor.simulate.faults import FAULTS

ROOT = Path(__file__).resolve().parents[2]
_FILE = Path(__file__).with_name("failure_modes.py")
_SPEC = importlib.util.spec_from_file_location("failure_modes", _FILE)
assert _SPEC is not None
assert _SPEC.loader is not None
table = importlib.util.module_from_spec(_SPEC)
sys.modules["failure_modes"] = table
_SPEC.loader.exec_module(table)
MODES = table.modes()
COUNTS = {"W": 25, "T": 8, "S": 12, "C": 18, "P": 6}


@cache
def functions_of(path: str) -> frozenset[str]:
    """Return the names of the test functions in a file."""
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, kinds))


def test_every_hazard_of_the_catalogue_has_one_row_in_order() -> None:
    """Claim: 25 of water, 8 of temperature, 12 of sensors, 18 of computers, 6 of people."""
    wanted = [f"{kind}{n + 1:02d}" for kind, count in COUNTS.items() for n in range(count)]
    assert [mode.id for mode in MODES] == wanted


def test_every_rule_has_a_row_and_every_row_names_rules_that_exist() -> None:
    """Claim: no rule is without a failure mode, and none is invented here. G01 is no hazard but
    the guard's hard maximum.
    """
    named = {key for mode in MODES for key in mode.rules}
    assert named == {rule.key for rule in RULES} - {"guard-g01"}


def test_every_simulated_fault_has_a_row_of_its_hazard() -> None:
    """Claim: what can be put in stands in the table, under the hazard that it puts in."""
    named = {(name, mode.id) for mode in MODES for name in mode.faults}
    assert {name for name, _ in named} == set(FAULTS)
    assert all((spec.name, spec.hazard) in named for spec in FAULTS.values())


@pytest.mark.parametrize("mode", MODES, ids=lambda mode: mode.id)
def test_every_row_is_proved_or_says_what_is_missing(mode: object) -> None:
    """Claim: a row names tests that exist, or a gap; one with an answer has a test."""
    assert mode.tests or mode.gap  # type: ignore[attr-defined]
    assert bool(mode.rules) <= bool(mode.tests)  # type: ignore[attr-defined]
    for test in mode.tests:  # type: ignore[attr-defined]
        path, _, name = test.partition("::")
        assert name in functions_of(path), test


def test_what_not_every_station_covers_says_so() -> None:
    """Claim: a row without a gap is answered in full, whatever is fitted, by what `brimwatch check`
    says too; one that no part can make whole has a gap, and so has one that takes more than a
    float and a probe.
    """
    bare = {danger.id: danger.covers[-1] for danger in DANGERS}
    lacking = {i for i, cover in bare.items() if cover.grade is not Grade.FULL}
    lacking |= {danger.id for danger in DANGERS if danger.rest}
    assert lacking - {mode.id for mode in MODES if mode.gap} == set()


def test_every_row_has_a_name() -> None:
    """Claim: what goes wrong is named once, for this table and for `brimwatch check`."""
    assert all(mode.title for mode in MODES)
    assert [mode.id for mode in MODES] == [danger.id for danger in DANGERS]


def test_safety_md_holds_the_table_as_it_is() -> None:
    """Claim: SAFETY.md is up to date: python tests/proof/failure_modes.py --write."""
    text = table.SAFETY.read_text(encoding="utf-8")
    assert table.BEGIN in text
    assert text == table.rendered(text)
