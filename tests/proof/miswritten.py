"""Wrong versions of a function or class: its syntax tree changed in one place."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

STEP: Final = 0.01
SHOWN: Final = 60  # characters of a change that are shown whole; of a longer one, what differs
AROUND: Final = 18
IN: Final = "__import__('importlib').import_module({!r})"  # works wherever a line is put

Space = Mapping[str, Any]
Change = tuple[str, str, str, str]  # where, kind, change, text

COMPARED: Final[Mapping[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
RECKONED: Final[Mapping[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip
TWINS: Final = {"min": "max", "max": "min", "any": "all", "all": "any"}
UNSEEN: Final = frozenset({"annotation", "returns", "decorator_list", "bases", "pattern"})
ANSWERS: Final[Mapping[str, tuple[str, ...]]] = {
    "bool": ("True", "False"), "float": ("0.0",), "int": ("0",), "str": ("''",),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """Where a node hangs in the tree, and in which function or class."""

    parent: ast.AST
    field: str
    index: int | None
    frame: ast.AST  # what is shown when the node alone would say too little
    where: str
    answer: str  # what the function around it returns, as annotated
    bound: frozenset[str]  # names that have a value before this statement, whatever it does

    def put(self, node: ast.AST) -> None:
        """Hang another node here."""
        if self.index is None:
            setattr(self.parent, self.field, node)
        else:
            getattr(self.parent, self.field)[self.index] = node


class Code:
    """A top-level function or class, whose tree is changed in one place at a time."""

    def __init__(self, top: ast.FunctionDef | ast.ClassDef, space: Space) -> None:
        self.top = top
        self.space = space

    def changes(self) -> Iterator[Change]:
        """Yield where, kind, change and the whole text of each wrong version."""
        for node, place in self._walk(self.top, self.top.name, "", frozenset()):
            for kind, new in self._of_node(node, place):
                frame = new if place.frame is node else place.frame
                before = ast.unparse(place.frame)
                place.put(new)
                try:
                    change = _difference(before, ast.unparse(frame))
                    yield place.where, kind, change, ast.unparse(self.top)
                finally:
                    place.put(node)

    def _walk(
        self, parent: ast.AST, where: str, answer: str, bound: frozenset[str]
    ) -> Iterator[tuple[ast.AST, Place]]:
        if isinstance(parent, ast.FunctionDef):
            answer = ast.unparse(parent.returns) if parent.returns else ""
            bound |= {arg.arg for arg in ast.walk(parent.args) if isinstance(arg, ast.arg)}
        for field, value in ast.iter_fields(parent):
            if field in UNSEEN:
                continue
            many = isinstance(value, list)
            for index, node in enumerate(value if many else [value]):
                if not isinstance(node, ast.AST) or _mute(parent, node):
                    continue
                frame = node
                if isinstance(node, ast.Constant | ast.Name | ast.Attribute | ast.UnaryOp):
                    frame = parent
                at = Place(parent, field, index if many else None, frame, where, answer, bound)
                yield node, at
                inner = where
                if isinstance(node, ast.FunctionDef | ast.ClassDef):
                    inner = f"{where}.{node.name}"
                yield from self._walk(node, inner, answer, bound)
                if field == "body" and isinstance(node, ast.Assign):
                    bound |= {n.id for t in node.targets for n in ast.walk(t)
                              if isinstance(n, ast.Name)}  # fmt: skip

    def _of_node(self, node: ast.AST, place: Place) -> Iterator[tuple[str, ast.AST]]:
        member = self._member(node)
        if member is not None:
            kind = type(member)
            others = [m for m in kind if m is not member]
            held = isinstance(place.parent, ast.AnnAssign | ast.arguments)
            after = (list(kind).index(member) + 1) % len(kind)
            for other in others if held else [list(kind)[after]]:
                yield "member", _parsed(_member_text(node, other))
            return
        of_node: Callable[[Any, Place], Iterator[tuple[str, ast.AST]]] | None
        of_node = OF.get(type(node))
        if of_node is not None:
            yield from of_node(node, place)
        if isinstance(node, ast.If | ast.While | ast.IfExp) and not isinstance(
            node.test, ast.Compare | ast.BoolOp | ast.UnaryOp
        ):
            yield "negated", _changed(node, test=ast.UnaryOp(ast.Not(), node.test))

    def _member(self, node: ast.AST) -> Enum | None:
        """Return the member of an enum that a name stands for."""
        match node:
            case ast.Name(id=name, ctx=ast.Load()):
                found = self.space.get(name)
            case ast.Attribute(value=ast.Name(id=name), attr=attr):
                owner = self.space.get(name)
                found = getattr(owner, attr, None) if isinstance(owner, type) else None
            case _:
                return None
        return found if isinstance(found, Enum) else None


def _member_text(node: ast.AST, other: Enum) -> str:
    """Return how the other member is written beside this one."""
    if isinstance(node, ast.Attribute):
        return f"{ast.unparse(node.value)}.{other.name}"
    return spelled(other)


def _mute(parent: ast.AST, node: ast.AST) -> bool:
    """Say whether a node is a docstring, the word part of an f-string, or an enum's member."""
    if isinstance(parent, ast.JoinedStr):
        return not isinstance(node, ast.FormattedValue)
    if isinstance(parent, ast.FormattedValue):
        return node is not parent.value
    if isinstance(parent, ast.ClassDef) and isinstance(node, ast.Assign):
        return True
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _compare(node: ast.Compare, _: Place) -> Iterator[tuple[str, ast.AST]]:
    for index, op in enumerate(node.ops):
        for other in COMPARED[type(op)]:
            ops = [*node.ops[:index], other(), *node.ops[index + 1 :]]
            yield "compare", _changed(node, ops=ops)
    if len(node.ops) > 1:
        yield "part", ast.Compare(node.left, node.ops[:-1], node.comparators[:-1])
        yield "part", ast.Compare(node.comparators[0], node.ops[1:], node.comparators[1:])


def _logic(node: ast.BoolOp, _: Place) -> Iterator[tuple[str, ast.AST]]:
    yield "logic", ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    for index in range(len(node.values)):
        left = node.values[:index] + node.values[index + 1 :]
        yield "part", left[0] if len(left) == 1 else ast.BoolOp(node.op, left)


def _unary(node: ast.UnaryOp, _: Place) -> Iterator[tuple[str, ast.AST]]:
    yield "sign", node.operand


def _reckon(node: ast.BinOp, _: Place) -> Iterator[tuple[str, ast.AST]]:
    if type(node.op) in RECKONED:
        yield "sum", _changed(node, op=RECKONED[type(node.op)]())
    else:
        yield "part", node.left
        yield "part", node.right


def _constant(node: ast.Constant, place: Place) -> Iterator[tuple[str, ast.AST]]:
    kind = "default" if isinstance(place.parent, ast.arguments | ast.AnnAssign) else "constant"
    value = node.value
    others: tuple[bool | str | float, ...] = ()
    if isinstance(value, bool):
        others = (not value,)
    elif isinstance(value, str):
        others = ("" if value else "x",)
    elif isinstance(value, int | float):
        others = (type(value)(1 - value),) if value in {0, 1} else stepped(value)
    for other in others:
        yield kind, ast.Constant(other)


def _call(node: ast.Call, _: Place) -> Iterator[tuple[str, ast.AST]]:
    name = node.func.id if isinstance(node.func, ast.Name) else ""
    if name in TWINS:
        yield "twin", _changed(node, func=ast.Name(TWINS[name], ast.Load()))
        if len(node.args) > 1 and not any(isinstance(arg, ast.Starred) for arg in node.args):
            for arg in node.args:
                yield "bare", arg
    if name == "replace" or name[:1].isupper():
        for keyword in node.keywords:
            if keyword.arg:
                yield "keyword", _changed(node, keywords=[k for k in node.keywords
                                                          if k is not keyword])  # fmt: skip


def _return(node: ast.Return, place: Place) -> Iterator[tuple[str, ast.AST]]:
    if node.value is None:
        return
    main, *rest = [part.strip() for part in place.answer.split("|")]
    answers = ANSWERS.get(main, ("()",) if main.endswith("...]") else ())
    for answer in (*answers, *(("None",) if "None" in rest else ())):
        if not isinstance(node.value, ast.Constant):
            yield "answer", ast.Return(_parsed(answer))
    body = getattr(place.parent, place.field)
    nothing = isinstance(node.value, ast.Constant) and node.value.value is None
    if isinstance(body, list) and len(body) > 1 and not nothing:  # a function's end says None too
        yield "statement", ast.Pass()


def _gone(node: ast.stmt, place: Place) -> Iterator[tuple[str, ast.AST]]:
    """Yield nothing in its place. An only assignment stays: what reads the name would fail."""
    targets = node.targets if isinstance(node, ast.Assign) else []
    names = {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}
    if names <= place.bound:
        yield "statement", ast.Pass()


def _match(node: ast.Match, _: Place) -> Iterator[tuple[str, ast.AST]]:
    for index in range(len(node.cases)):
        if len(node.cases) > 1:
            yield "case", _changed(node, cases=node.cases[:index] + node.cases[index + 1 :])


def _comprehension(node: ast.comprehension, _: Place) -> Iterator[tuple[str, ast.AST]]:
    for index in range(len(node.ifs)):
        yield "part", _changed(node, ifs=node.ifs[:index] + node.ifs[index + 1 :])


OF: Final[Mapping[type[ast.AST], Callable[[Any, Place], Iterator[tuple[str, ast.AST]]]]] = {
    ast.Compare: _compare, ast.BoolOp: _logic, ast.UnaryOp: _unary, ast.BinOp: _reckon,
    ast.Constant: _constant, ast.Call: _call, ast.Return: _return, ast.Match: _match,
    ast.comprehension: _comprehension, ast.Assign: _gone, ast.AugAssign: _gone, ast.Expr: _gone,
    ast.If: _gone, ast.Raise: _gone, ast.Continue: _gone, ast.Break: _gone, ast.For: _gone,
}  # fmt: skip


def _changed(node: Any, **parts: object) -> Any:
    """Return a shallow copy of a node with other parts."""
    whole = {name: getattr(node, name) for name in node._fields if hasattr(node, name)}
    return type(node)(**(whole | parts))


def _parsed(text: str) -> ast.expr:
    return ast.parse(text, mode="eval").body


def _difference(before: str, after: str) -> str:
    """Return both texts on a line, or what differs of them when they are long."""
    before, after = " ".join(before.split()), " ".join(after.split())
    if max(len(before), len(after)) > SHOWN:
        same = 0
        while same < min(len(before), len(after)) and before[same] == after[same]:
            same += 1
        begin = max(0, same - AROUND)
        mark = "…" if begin else ""
        before, after = (mark + t[begin : begin + 2 * AROUND] for t in (before, after))
    return f"{before} -> {after}"


def stepped(value: float) -> tuple[float, float]:
    """Return a number one step up and one step down."""
    if isinstance(value, int):
        return value + 1, value - 1
    step = abs(value) * STEP or STEP
    return float(f"{value + step:.12g}"), float(f"{value - step:.12g}")


def spelled(value: object) -> str:
    """Return an expression for a value that works in any module."""
    if isinstance(value, Enum):
        kind = type(value)
        return f"{IN.format(kind.__module__)}.{kind.__qualname__}.{value.name}"
    if isinstance(value, frozenset):
        return f"frozenset(({''.join(f'{spelled(v)}, ' for v in sorted(value, key=str))}))"
    if isinstance(value, tuple):
        return f"({''.join(f'{spelled(v)}, ' for v in value)})"
    return repr(value)
