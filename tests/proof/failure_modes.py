"""The failure-mode table: from `failure_modes.toml` into SAFETY.md.

python tests/proof/failure_modes.py           prints the table
python tests/proof/failure_modes.py --write   puts it into SAFETY.md
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass
from pathlib import Path

from monitor.core.coverage import DANGERS

ROOT = Path(__file__).resolve().parents[2]
DATA = Path(__file__).with_suffix(".toml")
SAFETY = ROOT / "SAFETY.md"
NAMES = {danger.id: danger.name[:1].upper() + danger.name[1:] for danger in DANGERS}
BEGIN, END = "<!-- failure modes: made by tests/proof/failure_modes.py -->", "<!-- end -->"


@dataclass(frozen=True, slots=True)
class Mode:
    """One way it can fail."""

    id: str
    shows: str
    response: str
    bound: str
    rules: tuple[str, ...]
    faults: tuple[str, ...]
    tests: tuple[str, ...]
    gap: str

    @property
    def title(self) -> str:
        """What goes wrong, as `brimwatch check` calls it."""
        return NAMES.get(self.id, "")


def modes() -> tuple[Mode, ...]:
    """Return the rows of the file, in its order."""
    rows = tomllib.loads(DATA.read_text(encoding="utf-8"))["mode"]
    lists = ("rules", "faults", "tests")
    return tuple(Mode(**{k: tuple(v) if k in lists else v for k, v in row.items()}) for row in rows)


def table() -> str:
    """Return the table as Markdown, and the gaps under it."""
    lines = [
        "| id | what goes wrong | how it shows | response | bound | proved by |",
        "|---|---|---|---|---|---|",
    ]
    for mode in modes():
        where = dict.fromkeys(test.partition("::")[0] for test in mode.tests)
        proof = ", ".join(f"`{path}`" for path in where) or "–"
        mark = " \\*" if mode.gap else ""
        lines.append(
            f"| {mode.id}{mark} | {mode.title} | {mode.shows} | {mode.response} | {mode.bound} "
            f"| {proof} |"
        )
    lines += ["", "\\* Not sufficient by itself:", ""]
    lines += [f"- **{mode.id}**: {mode.gap}" for mode in modes() if mode.gap]
    return "\n".join(lines)


def rendered(text: str) -> str:
    """Return SAFETY.md with the table in its place."""
    head, _, rest = text.partition(BEGIN)
    _, _, tail = rest.partition(END)
    return f"{head}{BEGIN}\n\n{table()}\n\n{END}{tail}"


def main() -> None:
    """Print or write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    if parser.parse_args().write:
        SAFETY.write_text(rendered(SAFETY.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(table())  # noqa: T201 - it is what this command is for


if __name__ == "__main__":
    main()
