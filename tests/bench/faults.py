"""Every fault of the simulation, put into a fill of 60 litres: cause, closing time, spill.

    python tests/bench/faults.py [--json]

Each runs the real command at full speed. The times are simulated seconds from the fault's onset
(for the closing, until the valve is all the way shut, its own second included).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from typing import Any

from figures import ROOT, table, tell

START_M = "0.5271428571"  # 60 L below the mark
COMMAND = (sys.executable, "-m", "monitor.cli", "simulate", "--once", "--speed", "max", "--json",
           "--litres", "60", "--start-level", START_M)  # fmt: skip
COLUMNS = ("relay_released_after_s", "valve_closed_after_s", "spilled_l")


def names() -> list[str]:
    """Return the faults there are, as the command lists them."""
    listed = subprocess.run(
        [*COMMAND[:4], "--list-faults", "--json"], capture_output=True, text=True, check=True,
        cwd=ROOT,
    )  # fmt: skip
    return [json.loads(line)["fault"] for line in listed.stdout.splitlines()]


def play(fault: str) -> dict[str, Any]:
    """Return the verdict on one fault."""
    played = subprocess.run(
        [*COMMAND, "--fault", fault], capture_output=True, text=True, check=False, cwd=ROOT
    )
    verdict: dict[str, Any] = json.loads(played.stdout.splitlines()[-1])
    return {**verdict, "exit": played.returncode}


def main() -> None:
    """Play all and tell."""
    parser = argparse.ArgumentParser(description="Every fault: cause, closing time, spill.")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    verdicts = {name: play(name) for name in names()}
    head = ["fault", "outcome", "cause", "relay off, s", "valve shut, s", "spill, L", "exit"]
    rows: list[list[object]] = [head]
    for name, each in verdicts.items():
        figures = ["-" if each[column] is None else each[column] for column in COLUMNS]
        rows.append([name, each["outcome"], each["cause"], *figures, each["exit"]])
    tell({"faults": verdicts}, table(rows), as_json=args.json)


if __name__ == "__main__":
    main()
