"""What small changes of the coverage showed to be unsaid: which of two good ways is told."""

from __future__ import annotations

import pytest

from monitor.core import coverage
from monitor.core.coverage import Cover, Danger, Grade, covered
from support.stories import river_plan


def test_of_ways_that_are_as_good_the_one_is_told_that_lacks_least(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Claim: whoever has neither is told of the one part, and not of the two; of ways that lack as
    many, of the last, which asks for least.
    """
    none = Cover("nothing", Grade.NONE)
    one, two = Cover("one", Grade.FULL, ("overs",)), Cover("two", Grade.FULL, ("level", "lows"))
    other = Cover("other", Grade.FULL, ("stores",))
    rows = ((one, two, none), (two, one, none), (one, other, none))
    dangers = tuple(Danger(f"X{n}", "invented", covers) for n, covers in enumerate(rows))
    monkeypatch.setattr(coverage, "DANGERS", dangers)
    better = [row.better for row in covered(river_plan())]
    assert better == [("overs",), ("overs",), ("stores",)]
