"""The mutator finds what no test sees, and in the core's tables, limits and guard it finds nothing.

Here a sample is drawn, always the same one. All of it: `python tests/proof/mutate.py --quick`.
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from proof.mutants import Mutant, find, planted

HERE = Path(__file__).parent
SAMPLE, SEED = 100, 1  # of some 2,600 mutants; one takes 0.1 s of the processor

TOY = '''
"""A toy core: a table, a limit and a function."""

from enum import Enum


class Lamp(Enum):
    """Its states."""

    RED = 1
    GREEN = 2
    DARK = 3


TABLE = {Lamp.RED: Lamp.GREEN, Lamp.GREEN: Lamp.RED, Lamp.DARK: Lamp.DARK}
LIMIT = 10


def over(level: int, limit: int = LIMIT) -> bool:
    """Say whether a level is past a limit."""
    return level > limit
'''
TOY_TEST = """
from monitor.core.toy import TABLE, Lamp, over


def test_lamps() -> None:
    assert TABLE == {Lamp.RED: Lamp.GREEN, Lamp.GREEN: Lamp.RED, Lamp.DARK: Lamp.DARK}


def test_over() -> None:
    assert over(11)
    assert not over(9)
"""
EDGE = "    assert not over(10)\n"
MISSED = [
    "toy.py:LIMIT:number:10 -> 9",
    "toy.py:over:compare:level > limit -> level >= limit",
]
SETTINGS = """
[tool.pytest.ini_options]
pythonpath = [".", "tests"]
asyncio_default_fixture_loop_scope = "function"
addopts = ["--import-mode=importlib"]
"""


def mutate(*options: str) -> tuple[int, dict[str, Any], str]:
    """Run the command; return its exit status, what it found and what it complained of."""
    command = [sys.executable, str(HERE / "mutate.py"), "--json", *options]
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "COV"))}
    done = subprocess.run(command, capture_output=True, text=True, env=clean, check=False)
    return done.returncode, json.loads(done.stdout or "{}"), done.stderr


@pytest.fixture
def toy(tmp_path: Path) -> Path:
    """Write a project whose one test leaves the edge of a comparison open."""
    for folder in ("monitor/core", "tests/core", "tests/support"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "monitor/core/toy.py").write_text(TOY, encoding="utf-8")
    (tmp_path / "tests/core/test_toy.py").write_text(TOY_TEST, encoding="utf-8")
    (tmp_path / "pyproject.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "survivors.toml").write_text("", encoding="utf-8")
    return tmp_path


def toy_options(toy: Path) -> tuple[str, ...]:
    return "--root", str(toy), "--survivors", str(toy / "survivors.toml")


def write_survivors(toy: Path, ids: list[str]) -> None:
    rows = [f"[[survivor]]\nid = {json.dumps(i)}\nwhy = 'a toy'\n" for i in ids]
    (toy / "survivors.toml").write_text("\n".join(rows), encoding="utf-8")


def test_what_no_test_sees_is_found(toy: Path) -> None:
    """Claim: of a toy's mutants exactly those live that its test cannot tell from the toy."""
    status, found, complaint = mutate(*toy_options(toy))
    assert (status, sorted(found["unlisted"])) == (1, MISSED), complaint
    assert found["killed"] == found["mutants"] - len(MISSED)
    assert {by for by in found["verdicts"].values() if by} == {
        "tests/core/test_toy.py::test_lamps", "tests/core/test_toy.py::test_over"
    }  # fmt: skip


def test_a_list_of_survivors_holds_both_ways(toy: Path) -> None:
    """Claim: a listed survivor is no complaint; one that is killed after all, or gone, is."""
    write_survivors(toy, MISSED)
    assert mutate(*toy_options(toy))[0] == 0
    path = toy / "tests/core/test_toy.py"
    path.write_text(TOY_TEST + EDGE, encoding="utf-8")
    status, found, _ = mutate(*toy_options(toy))
    assert (status, sorted(found["struck"])) == (1, MISSED)
    write_survivors(toy, ["toy.py:over:compare:level > rim -> level >= rim"])
    status, found, _ = mutate(*toy_options(toy))
    assert (status, found["unlisted"], len(found["gone"])) == (1, [], 1)


def test_tests_that_fail_by_themselves_prove_nothing(toy: Path) -> None:
    """Claim: with a test that fails anyway no mutant is called killed."""
    path = toy / "tests/core/test_toy.py"
    path.write_text(TOY_TEST + "    assert over(10)\n", encoding="utf-8")
    status, found, complaint = mutate(*toy_options(toy))
    assert (status, found) == (2, {})
    assert "fails without any mutant" in complaint


def made() -> list[Mutant]:
    """Return the toy's mutants."""
    space: dict[str, Any] = {"__name__": "toy"}
    exec(compile(TOY, "toy.py", "exec"), space)  # noqa: S102  # the toy above
    return find("toy.py", TOY, space)


def test_every_cell_is_changed_into_every_other() -> None:
    """Claim: three cells of three states have two wrong states each, and a number two steps."""
    assert Counter(m.where for m in made() if m.category != "functions") == {
        "TABLE[RED]": 2, "TABLE[GREEN]": 2, "TABLE[DARK]": 2, "LIMIT": 2
    }  # fmt: skip


def test_every_mutant_differs_and_has_a_name_of_its_own() -> None:
    """Claim: no two are alike, none is the module itself, and each can be compiled."""
    tree = ast.parse(TOY)
    texts = {ast.unparse(planted(tree, mutant)) for mutant in made()}
    assert len(texts) == len({m.id for m in made()}) == len(made())
    assert ast.unparse(tree) not in texts
    for text in texts:
        compile(text, "toy.py", "exec")


def test_survivors_have_arguments() -> None:
    """Claim: the list is in order: a name once, with an argument, and nothing else."""
    rows = tomllib.loads((HERE / "survivors.toml").read_text(encoding="utf-8"))["survivor"]
    assert all(set(row) == {"id", "why"} for row in rows)
    assert all(len(row["why"].split()) > 3 for row in rows)
    assert len({row["id"] for row in rows}) == len(rows)


@pytest.mark.slow
def test_the_cells_of_the_phases_are_held() -> None:
    """Claim: of twenty wrong cells of the phases' table, drawn by chance, each fails a test."""
    status, found, complaint = mutate(
        "--quick", "--what", "tables", "--file", "phases.py", "--sample", "20"
    )
    assert (status, found["killed"]) == (0, 20), found or complaint


@pytest.mark.slow
def test_tables_limits_and_guard_are_held() -> None:
    """Claim: of the mutants of the guard, the alarms, the phases and the limits, drawn by chance,
    none lives that is not listed.
    """
    files = [o for name in ("guard", "alarm", "phases", "limits") for o in ("--file", f"{name}.py")]
    status, found, complaint = mutate(
        "--quick", "--sample", str(SAMPLE), "--seed", str(SEED), *files
    )
    assert status == 0, (found.get("unlisted"), found.get("struck"), found.get("gone"), complaint)
    assert found["mutants"] == SAMPLE
