"""The brokers the link suite runs over, as fixtures."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

import pytest
from hypothesis import settings

from support.rigs import RIGS, EmbeddedRig, MosquittoRig, Rig

# The suite's own profile: enough cases to find faults, few enough for every run.
settings.register_profile("link", max_examples=50, deadline=None)
settings.load_profile("link")


async def _running(name: str) -> AsyncIterator[Rig]:
    rig = RIGS[name]()
    await rig.start()
    try:
        yield rig
    finally:
        with contextlib.suppress(AssertionError, NotImplementedError):
            rig.thaw()
        await rig.stop()
        if isinstance(rig, MosquittoRig):
            rig.broker.__exit__(None, None, None)


@pytest.fixture(params=["embedded", "memory", "mosquitto"])
async def rig(request: pytest.FixtureRequest) -> AsyncIterator[Rig]:
    """Each kind of broker in turn; `freezable` adds the embedded one as a process."""
    async for each in _running(request.param):
        yield each


@pytest.fixture(params=["memory", "mosquitto", "process"])
async def freezable(request: pytest.FixtureRequest) -> AsyncIterator[Rig]:
    """Each kind of broker that can be frozen without freezing the test."""
    async for each in _running(request.param):
        yield each


@pytest.fixture
async def mosquitto() -> AsyncIterator[MosquittoRig]:
    """The real broker."""
    async for each in _running("mosquitto"):
        assert isinstance(each, MosquittoRig)
        yield each


@pytest.fixture
async def embedded() -> AsyncIterator[EmbeddedRig]:
    """The broker in our own loop."""
    async for each in _running("embedded"):
        assert isinstance(each, EmbeddedRig)
        yield each
