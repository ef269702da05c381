"""Diagrams of the state machines, drawn from their tables.

python tests/proof/diagrams.py --write   draws them anew beside the tables, in monitor/core

A cell that stays where it is is not drawn. What is drawn comes from the tables alone; only where a
state stands on the sheet is chosen here.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path

from monitor.core import alarm, guard, phases

FOLDER = Path(__file__).resolve().parents[2] / "monitor" / "core"
BOX_W, BOX_H = 152, 40
LABEL_AT = 0.36
ASIDE = "GHI"  # shelved, suppressed, out of service: told in words, for too many lines lead there
MANY = 4  # from so many states on, an event's way to one state is told in words
BEND = 26  # how far the two directions between a pair of states keep apart
STYLE = (
    "text{font:13px sans-serif;fill:#222}.n{font-weight:bold;text-anchor:middle}"
    ".e{text-anchor:middle;font-size:12px;paint-order:stroke;stroke:#fff;stroke-width:4px}"
    "rect{fill:#f4f4f2;stroke:#444}path{fill:none;stroke:#555}"
)

ARROW = (
    '<defs><marker id="a" viewBox="0 0 8 8" refX="8" refY="4" markerWidth="8" markerHeight="8" '
    'orient="auto"><path d="M0 0L8 4L0 8z" style="fill:#555"/></marker></defs>'
)

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One machine: where its states stand, what they are called, and what leads where."""

    title: str
    size: tuple[int, int]
    places: Mapping[str, Point]
    names: Mapping[str, str]
    edges: Mapping[tuple[str, str], tuple[str, ...]]
    notes: tuple[str, ...] = ()


def _aside(cells: Mapping[tuple[str, str], str]) -> tuple[str, ...]:
    """Return in words what leads into the states that are set aside, and out of them."""
    ways: dict[tuple[str, str], list[str]] = {}
    for (state, event), target in cells.items():
        if state != target and {state, target} & set(ASIDE):
            ways.setdefault((event, target), []).append(state)
    return tuple(
        f"{event}: {', '.join(states)} to {target}" for (event, target), states in ways.items()
    )


def _often(cells: Mapping[tuple[str, str], str]) -> dict[tuple[str, str], list[str]]:
    """Return the events that lead to one and the same state from many, and from which."""
    ways: dict[tuple[str, str], list[str]] = {}
    for (state, event), target in cells.items():
        if state != target:
            ways.setdefault((event, target), []).append(state)
    return {way: states for way, states in ways.items() if len(states) >= MANY}


def _grouped(cells: Mapping[tuple[str, str], str]) -> dict[tuple[str, str], tuple[str, ...]]:
    """Return, for each pair of states, the events that lead from one to the other."""
    edges: dict[tuple[str, str], list[str]] = {}
    for (state, event), target in cells.items():
        if state != target:
            edges.setdefault((state, target), []).append(event)
    return {pair: tuple(events) for pair, events in edges.items()}


def sheets() -> dict[str, Sheet]:
    """Return the three sheets by file name."""
    fill = {(p.value, t.value): to.value for (p, t), to in phases.TABLE.items()}
    often = _often(fill)
    valve = {(p.value, e.value): to.value for (p, e), (to, _) in guard.TABLE.items()}
    bell = {(s.value, e.value): to.value for (s, e), to in alarm.TABLE.items()}
    return {
        "phases.svg": Sheet(
            "The phases of a fill and of a drain (monitor/core/phases.py)",
            (1010, 620),
            {
                "idle": (110, 90), "checking": (380, 90), "filling": (690, 90),
                "holding": (920, 200), "draining": (620, 330), "closing": (800, 510),
                "settling": (450, 510), "done": (110, 510), "stopped": (395, 290),
            },
            {each.value: each.value for each in phases.Phase},
            _grouped({k: v for k, v in fill.items() if (k[1], v) not in often}),
            tuple(f"{event}: {', '.join(states)} to {to}" for (event, to), states in often.items()),
        ),
        "guard.svg": Sheet(
            "The guard of the valve, and of the drain (monitor/core/guard.py)",
            (900, 500),
            {"shut": (140, 110), "open": (720, 110), "paused": (720, 420), "blocked": (140, 420)},
            {each.value: each.value for each in guard.GuardPhase},
            _grouped(valve),
        ),
        "alarm.svg": Sheet(
            "A latching alarm (monitor/core/alarm.py, after IEC 62682)",
            (960, 520),
            {
                "A": (120, 110), "B": (480, 110), "C": (840, 110), "D": (120, 350),
                "E": (480, 350), "F": (840, 350),
            },
            {each.value: f"{each.value} {each.name.lower().replace('_', ' ')}"
             for each in alarm.AlarmState},
            _grouped({k: v for k, v in bell.items() if not {k[0], v} & set(ASIDE)}),
            _aside(bell),
        ),
    }  # fmt: skip


def _border(at: Point, towards: Point) -> Point:
    """Return where a line from a box's middle leaves its border."""
    dx, dy = towards[0] - at[0], towards[1] - at[1]
    scale = min(BOX_W / 2 / abs(dx) if dx else math.inf, BOX_H / 2 / abs(dy) if dy else math.inf)
    return at[0] + dx * scale, at[1] + dy * scale


def _edge(begin: Point, end: Point, events: tuple[str, ...]) -> list[str]:
    dx, dy = end[0] - begin[0], end[1] - begin[1]
    length = math.hypot(dx, dy)
    off = (-dy / length * BEND, dx / length * BEND)
    middle = ((begin[0] + end[0]) / 2 + off[0], (begin[1] + end[1]) / 2 + off[1])
    (x1, y1), (x2, y2) = _border(begin, middle), _border(end, middle)
    control = (2 * middle[0] - (x1 + x2) / 2, 2 * middle[1] - (y1 + y2) / 2)
    # The label stands nearer to where the line begins: lines cross in the middle of a sheet.
    near, far = LABEL_AT, 1 - LABEL_AT
    label = tuple(
        far * far * a + 2 * far * near * b + near * near * c
        for a, b, c in zip((x1, y1), control, (x2, y2), strict=True)
    )
    lines = [
        (
            f'<path d="M{x1:.0f} {y1:.0f}Q{control[0]:.0f} {control[1]:.0f} {x2:.0f} {y2:.0f}" '
            f'marker-end="url(#a)"/>'
        )
    ]
    for index in range(0, len(events), 3):
        row = index // 3 - (len(events) - 1) // 3 / 2
        text = escape(", ".join(events[index : index + 3]))
        lines.append(
            f'<text class="e" x="{label[0]:.0f}" y="{label[1] + 4 + row * 15:.0f}">{text}</text>'
        )
    return lines


def drawn(sheet: Sheet) -> str:
    """Return the SVG."""
    width, height = sheet.size
    title = escape(sheet.title)
    lines = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
            f'aria-label="{title}">'
        ),
        f"<style>{STYLE}</style>",
        ARROW,
        f'<rect width="{width}" height="{height}" style="fill:#fff;stroke:none"/>',
        f'<text x="20" y="30" style="font-weight:bold">{title}</text>',
    ]
    for (state, target), events in sheet.edges.items():
        lines += _edge(sheet.places[state], sheet.places[target], events)
    for state, (x, y) in sheet.places.items():
        lines.append(
            f'<rect x="{x - BOX_W / 2:.0f}" y="{y - BOX_H / 2:.0f}" width="{BOX_W}" '
            f'height="{BOX_H}" rx="6"/>'
        )
        name = escape(sheet.names[state])
        lines.append(f'<text class="n" x="{x:.0f}" y="{y + 5:.0f}">{name}</text>')
    for row, note in enumerate(sheet.notes):
        y = height - 15 - 17 * (len(sheet.notes) - 1 - row)
        lines.append(f'<text x="20" y="{y}" style="font-size:12px">{escape(note)}</text>')
    return "\n".join([*lines, "</svg>", ""])


def main() -> None:
    """Write the sheets, or say which are out of date."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    write = parser.parse_args().write
    for name, sheet in sheets().items():
        if write:
            (FOLDER / name).write_text(drawn(sheet), encoding="utf-8")
        elif (FOLDER / name).read_text(encoding="utf-8") != drawn(sheet):
            print(f"{name} is out of date: --write draws it anew")  # noqa: T201


if __name__ == "__main__":
    main()
