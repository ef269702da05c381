from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path

import pytest

from support.mosquitto import Mosquitto, find_mosquitto
from support.stand import Stand


@pytest.fixture
async def stand(tmp_path: Path) -> AsyncIterator[Stand]:
    """A running node over a mosquitto of its own; no engine yet."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed: no node was tried over a real broker")
    async with AsyncExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        # Simulated, as the commands beside it see mock pins.
        stand = Stand(tmp_path, broker, simulated=True)
        stack.push_async_callback(stand.end)
        await stand.start()
        yield stand
