"""Forecasts on real household water events. Run: python tests/bench/household.py.

Every event is played up to the litres at which its fixture began to shut, without a word about
earlier ones. Beside ours stand two naive methods. The data is not ours and is told as it is.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

# Run as a script, so the path is set before the imports below.
sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from support import household  # noqa: E402


def main() -> None:
    """Measure and print."""
    if not household.DATA.is_dir():
        print(f"the open data is not at {household.DATA}: nothing to measure")
        return
    river = household.station()
    print("| fixture | events | at | ours, median error | inside 90 % | elapsed time | last flow |")
    print("|---|---|---|---|---|---|---|")
    with TemporaryDirectory() as folder:
        for name in household.FILES:
            found: list[household.Row] = []
            alarms: Counter[str] = Counter()
            events = household.events(name)
            for event in events:
                played = household.told(event, river, Path(folder) / "event.csv")
                found += household.rows(event, played)
                alarms.update(played.ids)
            for share in household.SHARES:
                mine = [row for row in found if row.share == share]
                print(f"| {name} | {len(mine)} of {len(events)} | {share:.0%} "
                      f"| {median(r.ours for r in mine):.1%} "
                      f"| {sum(r.inside for r in mine) / len(mine):.0%} "
                      f"| {median(r.by_elapsed for r in mine):.1%} "
                      f"| {median(r.by_flow for r in mine):.1%} |")  # fmt: skip
            print(f"| {name}: alarms {dict(alarms) or 'none'} | | | | | | |")


if __name__ == "__main__":
    main()
