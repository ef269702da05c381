"""The page for whoever stands at the tank when something sounds: every alarm, and what to do.

python tests/proof/operators.py           prints hardware/alarms.md
python tests/proof/operators.py --write   writes it
"""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.core.coverage import FITS
from monitor.core.hazards import RULES, Response, Rule, Severity
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES
from monitor.core.phases import WATER_MAY_FLOW, Phase

PAGE = Path(__file__).resolve().parents[2] / "hardware" / "alarms.md"
STAR = " \\*"
KINDS = "WTSCPG"  # water, temperature, sensors, computers, people, the guard's own
SET = {
    "drain": "`[station.….drain]`",
    "heater": "`[station.….heater]`",
    "has_filter": "`[station.….filter]`",
    "return_pump": "`return_pump = true`",
    "desk": '`desk = "warn"` or `"close"`',
    "desk_closes": '`desk = "close"`',
}  # what a config says, beside the parts that coverage has words for
OF_THE_DRAIN = ("stores", "lows")  # the guard's rows for these are about the drain
HEADS = {
    Severity.TOP: ("Top: go now", "Water is, or soon will be, where brimwatch cannot stop it."),
    Severity.HIGH: (
        "High: go soon",
        "Mostly the water is shut already, and stays so until you have seen to it.",
    ),
    Severity.MEDIUM: (
        "Medium: see to it today",
        "Something needs you, the next fill at the latest.",
    ),
    Severity.LOW: ("Low: see to it this week", "Worth knowing."),
}
INTRO = """\
# Alarms

*Made from the program's own tables by `python tests/proof/operators.py --write`.*

An alarm is told as `ALARM W06 (top): Water on the floor.` Find the word in brackets below, then the
letter and number; `brimwatch status` shows them again, the first cause on top. If water runs, shut
the **stopcock** first and read afterwards.

- `brimwatch ack`: you have seen it. The sounder stops; nothing else changes.
- `brimwatch reset`: let go of what has shut. It is refused while the cause is still there, and
  opens nothing.
- From medium upwards the sounder goes on until somebody has seen the alarm.
"""
REFUSALS = """\
## When nothing starts

A fill or a drain that is refused says which of these did not hold. Those marked \\* do not count
when you stay beside the tank and say so: `brimwatch fill --attended`.

| not so | do |
|---|---|
"""


def does(rule: Rule) -> str:
    """Return what brimwatch does about it, in words."""
    drain = rule.armed <= {Phase.DRAINING} or rule.needs in OF_THE_DRAIN
    if rule.response is Response.HOLD:
        return "shuts the valve, tries again a few times, then stops"
    if rule.response is Response.CLOSE:
        if not rule.armed & WATER_MAY_FLOW:
            words = "has told it to shut; nothing starts until you reset"
        else:
            words = f"shuts the {'drain' if drain else 'valve'} until you reset"
    else:
        words = "tells you; stays until you reset" if rule.latching else "tells you; goes by itself"
    return f"{words}; switches the plug off, if it is its own" if rule.off else words


def only_with(rule: Rule) -> str:
    """Return what must be fitted or set for it, in words; empty when nothing must."""
    return SET.get(rule.needs) or FITS.get(rule.needs, "").partition(":")[0]


def place(rule: Rule) -> tuple[int, str, str]:
    """Return where a rule stands in its table: as people look an id up."""
    return KINDS.index(rule.id[0]), rule.id, TEXTS[rule.key].message


def table(severity: Severity) -> str:
    """Return all alarms of one severity as a Markdown table."""
    lines = [
        "| id | it says | what it may be | what to do | brimwatch | only with |",
        "|---|---|---|---|---|---|",
    ]
    for rule in sorted((rule for rule in RULES if rule.severity is severity), key=place):
        text = TEXTS[rule.key]
        lines.append(
            f"| {rule.id} | **{text.message}** | {text.cause} | {text.todo} | {does(rule)} "
            f"| {only_with(rule)} |"
        )
    return "\n".join(lines)


def rendered() -> str:
    """Return the whole page."""
    parts = [INTRO]
    parts += [f"## {head}\n\n{line}\n\n{table(level)}\n" for level, (head, line) in HEADS.items()]
    rows = [
        f"| {row.reason}{STAR if row.unattended_only else ''} | {row.remedy} |"
        for row in PERMISSIVES
    ]
    return "\n".join([*parts, REFUSALS + "\n".join(rows) + "\n"])


def main() -> None:
    """Print or write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    if parser.parse_args().write:
        PAGE.write_text(rendered(), encoding="utf-8")
    else:
        print(rendered())  # noqa: T201 - it is what this command is for


if __name__ == "__main__":
    main()
