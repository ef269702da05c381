"""How to play an invented recording."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.app import plan_of
from monitor.config import Station, loads
from monitor.replay.run import replayed
from support.recordings import Played, Water, config_text


@pytest.fixture
def river() -> Station:
    return loads(config_text(), "invented").stations["river"]


@pytest.fixture
def play(tmp_path: Path, river: Station) -> Callable[..., Played]:
    """Play a recording, given as water or as text."""

    def run(what: Water | str, *, level_m: float | None = None, litres: float | None = None,
            station: Station = river) -> Played:  # fmt: skip
        path = tmp_path / "recording"
        path.write_text(what if isinstance(what, str) else what.table())
        lines = replayed(path, station, plan_of(station), level_m=level_m, litres=litres)
        return Played(lines)

    return run
