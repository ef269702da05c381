"""What the core's tests share: a story that has begun, and one with water running."""

from __future__ import annotations

import pytest

from support.stories import Story


@pytest.fixture
def story() -> Story:
    """A river tank at rest, engine connected and node heard."""
    return Story().begin()


@pytest.fixture
def filling(story: Story) -> Story:
    """A 420 L fill up to the mark, two minutes under way."""
    return story.fill(420.0).run(120.0)
