"""The wiring pages' tables and drawings, made from the sample configs.

python tests/proof/drawings.py           says which are out of date
python tests/proof/drawings.py --write   makes them anew, in hardware

What stands on which pin comes from the configs by the same code as `brimwatch pins`.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

# Run as a script, so the path is set before the imports below.
from monitor.config import load  # noqa: E402
from monitor.wiring.drawing import drawn  # noqa: E402
from monitor.wiring.table import Wire, by_signal, markdown, plugs, wires  # noqa: E402
from proof.devices import DEVICES  # noqa: E402
from proof.waterway import waterway  # noqa: E402

FOLDER = ROOT / "hardware"
SAMPLES = ROOT / "monitor" / "simulate"
MADE = "made by tests/proof/drawings.py"
BLOCK = re.compile(rf"<!-- pins ([\w -]+): {re.escape(MADE)} -->\n.*?<!-- end -->", re.DOTALL)


def rows_of(name: str) -> tuple[Wire, ...]:
    """Return the wires of a sample config, which has one Pi."""
    (rows,) = wires(load(SAMPLES / f"{name}.toml")).values()
    return rows


def pictures() -> dict[str, str]:
    """Return the SVGs by file name."""
    full, river = load(SAMPLES / "full.toml"), load(SAMPLES / "river.toml")
    rows = by_signal(rows_of("full"))
    made = {f"{name}.svg": draw(rows).svg() for name, draw in DEVICES.items()}
    made["water.svg"] = waterway().svg()
    made["pins.svg"] = drawn(river.site.title, wires(river))
    nodes = wires(full)
    made["whole.svg"] = drawn(full.site.title, nodes, plugs(full, nodes))
    return made


def page(text: str) -> str:
    """Return a page with its pin tables made anew.

    A table is asked for by the name of a sample, and by how its signals begin if not all are meant.
    """
    return BLOCK.sub(lambda found: _table(found[1]), text)


def _table(asked: str) -> str:
    name, *begins = asked.split()
    rows = [row for row in rows_of(name) if not begins or row.signal.startswith(tuple(begins))]
    return "\n".join([f"<!-- pins {asked}: {MADE} -->", "", *markdown(rows), "", "<!-- end -->"])


def stale() -> dict[Path, str]:
    """Return what is out of date, each file with what should stand in it."""
    wanted = {FOLDER / name: svg for name, svg in pictures().items()}
    pages = {path: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.md")}
    wanted |= {path: page(text) for path, text in pages.items()}
    return {
        path: text
        for path, text in wanted.items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    }


def main() -> None:
    """Write what is out of date, or name it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    write = parser.parse_args().write
    for path, text in stale().items():
        if write:
            path.write_text(text, encoding="utf-8")
        else:
            print(f"{path.name} is out of date: --write makes it anew")  # noqa: T201


if __name__ == "__main__":
    main()
