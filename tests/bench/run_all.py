"""All benches, one report: where the README's figures come from.

    python tests/bench/run_all.py [--quick] [--only NAME] [--json]

Each bench is a process of its own, one after the other. A full run takes about half an hour, most
of it latency; --quick takes a few minutes and is for seeing that all works.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any

from figures import load_average

HERE = Path(__file__).resolve().parent
BENCHES: dict[str, tuple[list[str], list[str]]] = {
    "footprint": ([], ["--rounds", "2", "--settle", "0.5"]),
    "speed": ([], ["--rounds", "1", "--litres", "20"]),
    "faults": (["--full"], ["--only", "leak"]),
    "latency": ([], ["--repeat", "15"]),
    "step_cost": ([], []),
    "rule_library": ([], []),
    "forecast_table": ([], ["20"]),
    "household": ([], []),
    "balance_table": ([], ["--seeds", "2", "--hours", "5"]),
    "replay_speed": ([], []),
}
"""Each bench's arguments in full and in short. One that is not there is left out."""


def machine() -> dict[str, Any]:
    """Return what the figures were measured on."""
    models = [line.partition(":")[2].strip()
              for line in Path("/proc/cpuinfo").read_text().splitlines()
              if line.startswith("model name")]  # fmt: skip
    return {
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "processor": models[0] if models else platform.processor(),
        "cores": len(models),
        "load": load_average(),
    }


def run(name: str, arguments: list[str]) -> dict[str, Any]:
    """Run one bench and return what it printed, or how it failed."""
    command = [sys.executable, str(HERE / f"{name}.py"), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    text = done.stdout if done.returncode == 0 else done.stdout + done.stderr
    return {"exit": done.returncode, "text": text.rstrip()}


def main() -> None:
    """Run and tell."""
    parser = argparse.ArgumentParser(description="All benches, one report.")
    parser.add_argument("--quick", action="store_true", help="the short form of each")
    parser.add_argument("--only", choices=list(BENCHES), help="only this one")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    result: dict[str, Any] = {"machine": machine(), "benches": {}}
    if not args.json:
        print(" ".join(f"{key}: {value}" for key, value in result["machine"].items()))
    for name, (full, short) in BENCHES.items():
        if (args.only and name != args.only) or not (HERE / f"{name}.py").exists():
            continue
        done = result["benches"][name] = run(name, short if args.quick else full)
        if not args.json:
            print(f"\n--- {name}\n{done['text']}", flush=True)
    if args.json:
        print(json.dumps(result))
    sys.exit(any(done["exit"] for done in result["benches"].values()))


if __name__ == "__main__":
    main()
