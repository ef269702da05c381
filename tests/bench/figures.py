"""What the benches share: percentiles, the load beside every figure, one table, one JSON object."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT, ROOT / "tests"):  # so that a bench runs from anywhere, installed or not
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))


def load_average() -> list[float]:
    """Return the load averages of the last 1, 5 and 15 minutes."""
    return [round(each, 2) for each in os.getloadavg()]


def spread_ms(times_s: Sequence[float]) -> dict[str, float]:
    """Return count, median, 99th percentile (the nearest rank) and maximum, in milliseconds."""
    ranked = sorted(times_s)

    def rank(share: float) -> float:
        return round(ranked[min(len(ranked) - 1, int(len(ranked) * share))] * 1e3, 3)

    return {"n": len(ranked), "p50_ms": rank(0.5), "p99_ms": rank(0.99), "max_ms": rank(1.0)}


def table(rows: Sequence[Sequence[object]]) -> str:
    """Return rows as aligned text; the first row is the head."""
    texts = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in texts) for column in range(len(texts[0]))]
    lines = []
    for row in texts:
        first, *others = (cell for cell in row)
        cells = [first.ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(others, widths[1:], strict=True)]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def tell(result: dict[str, Any], text: str, *, as_json: bool) -> None:
    """Print the result: one JSON object, or the text for people."""
    print(json.dumps(result) if as_json else text)
