"""Every fault of the simulation, put into a small fill or drain: cause, closing time, harm.

    python tests/bench/faults.py [--full] [--only FAULT] [--json]

Each runs the real command at full speed; --full adds the tank with everything fitted. The times are
simulated seconds from the fault's onset: until the relay (of a drain: the drain's) is released,
until the valve is all the way shut, its own second included (of a drain: until no water runs), and
until an alarm of the right cause is out. Harm is what is on the floor, and for how long the heater
was on and bare and the pump on and dry.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

from figures import table, tell

from monitor.cli.common import sample_text
from monitor.simulate.faults import FAULTS, Story
from support.commands import FULL_TOML, SMALL
from support.plays import FULL_WATER, Played, listed, play

CONFIGS: dict[str, tuple[str, dict[str, tuple[str, ...]]]] = {
    "river": (sample_text(), {}),
    "full": (FULL_TOML.read_text(), FULL_WATER),
}


def figures_of(played: Played) -> dict[str, Any]:
    """Return a verdict, the exit code, and when the alarm came."""
    at_s = [
        each.raised_at_s - played.onset_s for each in played.alarms
        if each.rule in played.spec.causes and each.raised_at_s is not None
    ]  # fmt: skip
    alarm_s = round(min(at_s), 2) if at_s else None
    return {**played.verdict, "alarm_after_s": alarm_s, "exit": played.code}


def row_of(name: str, each: dict[str, Any]) -> list[object]:
    """Return one row of the table."""
    drains = FAULTS[name].during is Story.DRAIN
    off, shut = (
        ("drain_released_after_s", "drain_stopped_after_s") if drains
        else ("relay_released_after_s", "valve_closed_after_s")
    )  # fmt: skip
    figures = (each["alarm_after_s"], each[off], each[shut], each["spilled_l"],
               each["heater_bare_s"], each["pump_dry_s"])  # fmt: skip
    shown = ["-" if figure is None else figure for figure in figures]
    return [name, each["outcome"], each["cause"] or "-", *shown, each["exit"]]


def main() -> None:
    """Play all and tell."""
    parser = argparse.ArgumentParser(description="Every fault: cause, closing time, harm.")
    parser.add_argument("--full", action="store_true", help="the tank with everything fitted, too")
    parser.add_argument("--only", help="only this fault")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    head: list[object] = [
        "fault", "outcome", "cause", "alarm, s", "relay off, s", "shut, s", "spill, L",
        "bare, s", "dry, s", "exit",
    ]  # fmt: skip
    found: dict[str, dict[str, Any]] = {}
    parts = []
    with tempfile.TemporaryDirectory() as folder:
        for name, (text, waters) in CONFIGS.items():
            if name == "full" and not args.full:
                continue
            config = Path(folder) / f"{name}.toml"
            config.write_text(text)
            found[name] = {}
            for fault in listed("--config", str(config)):
                if args.only in (None, fault):
                    own = Path(folder) / f"{name}-{fault}"
                    own.mkdir()
                    played = play(fault, own, "--config", str(config), *waters.get(fault, SMALL))
                    found[name][fault] = figures_of(played)
            rows = [head, *(row_of(fault, each) for fault, each in found[name].items())]
            parts.append(f"{name}.toml\n{table(rows)}")
    tell({"configs": found}, "\n\n".join(parts), as_json=args.json)


if __name__ == "__main__":
    main()
