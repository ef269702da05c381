"""Small wrong versions of the core, each with a name that outlives edits elsewhere.

Two ways lead to them. *Tables*: a module-level table, row, set or number is taken as the value it
has, and a line that changes one part of it is put right behind the statement that makes it; so it
does not matter how a row is written, and a cell is called by its key. *Code* is `miswritten.py`.

Left out, because no test of the core could be asked to see it: docstrings, annotations, the words
of f-strings, the fields of rows that are words for people (`WORDS`), names that stand for another
name (`_S = GuardPhase.SHUT`), tables computed from another table by a comprehension, the values of
enums (names on the wire), and the checks of the tables at the foot of a module.

The step of a number: 1 % of it (0.01 for nought), one for a whole number; a test that cannot see
one part in a hundred of a limit does not hold it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import Enum
from math import prod
from typing import Any, Final

from proof.miswritten import SHOWN, Change, Code, Space, spelled, stepped

WORDS: Final = frozenset({"key", "name", "unit", "source", "why"})
WITH: Final = "__import__('dataclasses').replace"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One wrong version: the top-level statement `at` of a module replaced or followed by `text`.

    `category` is "tables", "limits", "guard" or "functions".
    """

    file: str
    where: str
    kind: str
    change: str
    category: str
    at: int
    text: str
    replaces: bool = False
    number: int = 1  # among those of the same place that read the same

    @property
    def id(self) -> str:
        """The name it has in the list of survivors."""
        same = f" #{self.number}" if self.number > 1 else ""
        return f"{self.file}:{self.where}:{self.kind}:{self.change}{same}"


def planted(tree: ast.Module, mutant: Mutant) -> ast.Module:
    """Return the module with the mutant in it."""
    kept = tree.body[: mutant.at + (not mutant.replaces)]
    return ast.Module([*kept, *ast.parse(mutant.text).body, *tree.body[mutant.at + 1 :]], [])


def find(file: str, source: str, space: Space) -> list[Mutant]:
    """Return all mutants of a module, from its source and its namespace once imported."""
    found: list[Mutant] = []
    texts: set[tuple[int, str]] = set()
    seen: dict[str, int] = {}
    for at, node in enumerate(ast.parse(source).body):
        texts.add((at, ast.unparse(node)))
        for mutant in _of(file, at, node, space):
            if (at, mutant.text) in texts:
                continue
            texts.add((at, mutant.text))
            number = seen[mutant.id] = seen.get(mutant.id, 0) + 1
            found.append(replace(mutant, number=number))
    return found


def _of(file: str, at: int, node: ast.stmt, space: Space) -> Iterator[Mutant]:
    match node:
        case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
            yield from _of_table(file, at, name, value, space)
        case ast.Assign(targets=[ast.Name(id=name)], value=value):
            yield from _of_table(file, at, name, value, space)
        case ast.FunctionDef() | ast.ClassDef():
            category = "guard" if file == "guard.py" else "functions"
            for where, kind, change, text in Code(node, space).changes():
                yield Mutant(file, where, kind, change, category, at, text, replaces=True)


# --- tables, rows, sets and numbers ---


def _of_table(file: str, at: int, name: str, made: ast.expr, space: Space) -> Iterator[Mutant]:
    """Yield the mutants of one module-level name. `made` is the expression that makes its value."""
    if isinstance(made, ast.Name | ast.Attribute | ast.DictComp | ast.SetComp | ast.ListComp):
        return
    value = space[name]
    for where, kind, change, text in _of_value(name, value, made):
        limits = file == "limits.py" or kind == "number"
        category = "limits" if limits else "tables"
        yield Mutant(file, name + where, kind, change, category, at, text)


def _of_value(name: str, value: object, made: ast.expr) -> Iterator[Change]:
    if isinstance(value, dict) and value:
        yield from _of_dict(name, value)
    elif isinstance(value, frozenset) and value and _enums(value):
        for change, other in _other_sets(value):
            yield "", "set", change, f"{name} = {spelled(other)}"
    elif isinstance(value, tuple) and value and all(is_dataclass(row) for row in value):
        yield from _of_rows(name, value)
    elif is_dataclass(value) and not isinstance(value, type) and isinstance(made, ast.Call):
        if made.args or made.keywords:
            for field, kind, change, text in _of_row(value, numbers=True):
                yield f".{field}", kind, change, f"{name} = {WITH}({name}, {field}={text})"
    else:
        for change, text in _other_numbers(value):
            yield "", "number", change, f"{name} = {text}"


def _of_dict(name: str, table: dict[Any, Any]) -> Iterator[Change]:
    first = next(iter(table))
    keys = first if isinstance(first, tuple) else (first,)
    kinds: list[type[Enum]] = [type(key) for key in keys] if _enums(keys) else []
    whole = bool(kinds) and len(table) == prod([len(kind) for kind in kinds])
    for key, cell in table.items():
        where, at = f"[{_shown(key)}]", spelled(key)
        if not whole:
            text = f"{name} = {{k: v for k, v in {name}.items() if k != {at}}}"
            yield where, "cell gone", "", text
        parts = cell if isinstance(cell, tuple) else (cell,)
        for index, part in enumerate(parts):
            for kind, change, other in _others(part):
                new = "".join(f"{other if i == index else spelled(p)}, "
                              for i, p in enumerate(parts))  # fmt: skip
                put = f"({new})" if isinstance(cell, tuple) else other
                yield where, kind, change, f"{name} = {{**{name}, {at}: {put}}}"


def _of_rows(name: str, rows: tuple[Any, ...]) -> Iterator[Change]:
    for index, row in enumerate(rows):
        label = str(getattr(row, "key", "") or getattr(row, "name", "") or index)
        behind = f" if i == {index} else r for i, r in enumerate({name}))"
        yield (
            f"[{label}]",
            "row gone",
            "",
            (f"{name} = tuple(r for i, r in enumerate({name}) if i != {index})"),
        )
        for field, kind, change, text in _of_row(row):
            put = f"{name} = tuple({WITH}(r, {field}={text}){behind}"
            yield f"[{label}].{field}", kind, change, put
        if getattr(row, "hold", "") and getattr(row, "bound", ""):
            put = f"{name} = tuple({WITH}(r, hold=r.bound, bound=r.hold){behind}"
            yield f"[{label}].hold", "swap", "hold <-> bound", put


def _of_row(row: Any, *, numbers: bool = False) -> Iterator[Change]:
    """Yield field, kind, change and the new value's text for every field of a dataclass value."""
    for field in fields(row):
        if field.name in WORDS:
            continue
        value = getattr(row, field.name)
        if getattr(row, "unit", None) == "1" and isinstance(value, float):
            others: Iterator[Change] = (("number", c, t, "") for c, t in _other_numbers(int(value)))
            for kind, change, text, _ in others:
                yield field.name, kind, change, f"float({text})"
            continue
        for kind, change, text in _others(value):
            if not numbers or kind == "number":
                yield field.name, kind, change, text


def _others(value: object) -> Iterator[tuple[str, str, str]]:
    """Yield kind, change and text of what might stand in a value's place."""
    if isinstance(value, Enum):
        for other in type(value):
            if other is not value:
                yield "member", f"{value.name} -> {other.name}", spelled(other)
    elif isinstance(value, bool):
        yield "flag", f"{value} -> {not value}", str(not value)
    elif isinstance(value, str):
        yield ("word", f"{value[:SHOWN]!r} -> ''", "''") if value else ("word", "'' -> 'x'", "'x'")
    elif isinstance(value, frozenset) and value and _enums(value):
        for change, other_set in _other_sets(value):
            yield "set", change, spelled(other_set)
    elif callable(value):
        for answer in (True, False):
            yield "condition", f"always {answer}", f"lambda *_: {answer}"
    else:
        for change, text in _other_numbers(value):
            yield "number", change, text


def _other_sets(members: frozenset[Any]) -> Iterator[tuple[str, frozenset[Any]]]:
    for member in type(next(iter(members))):
        change = f"- {member.name}" if member in members else f"+ {member.name}"
        yield change, members ^ {member}


def _other_numbers(value: object) -> Iterator[tuple[str, str]]:
    """Yield change and text for a number, or for each number of a nested tuple of numbers."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        for other in stepped(value):
            if repr(other) != repr(value):  # one step from infinity, or from NaN, leads nowhere
                yield f"{value!r} -> {other!r}", repr(other)
    elif isinstance(value, tuple):
        for index, part in enumerate(value):
            before = "".join(f"{p!r}, " for p in value[:index])
            after = "".join(f", {p!r}" for p in value[index + 1 :])
            for change, text in _other_numbers(part):
                yield f"[{index}] {change}", f"({before}{text}{after or ','})"


def _enums(values: Any) -> bool:
    return all(isinstance(value, Enum) for value in values)


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(_shown, value))
    return value.name if isinstance(value, Enum) else str(value)
