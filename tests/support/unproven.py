"""The command `brimwatch`, where nothing simulated was ever proven or noted by anybody."""

from __future__ import annotations

from dataclasses import replace

import monitor.stage
from monitor.app import Surroundings
from monitor.cli import main
from monitor.config import Station
from monitor.core.exchange import Request
from monitor.stage.play import Stage


class Unproven(Stage):
    """A stage on which everything is as it is on the day a station is first switched on."""

    def _around(self, url: str) -> Surroundings:
        return replace(super()._around(url), proven=False)

    def _notes(self, station: Station) -> list[Request]:
        return []


if __name__ == "__main__":
    monitor.stage.Stage = Unproven  # type: ignore[misc]
    main()
