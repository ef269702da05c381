"""What small changes of the facts showed to be unsaid: what stands before any is told."""

from __future__ import annotations

from math import inf

from monitor.core.facts import Facts


def test_nothing_told_is_nothing_to_worry_about() -> None:
    """Claim: before the shell has spoken no other station is busy, the record is well, and no
    message was rejected.
    """
    facts = Facts()
    assert (facts.busy, facts.record, facts.rejected_per_min) == ("", "", 0.0)


def test_what_never_was_lies_before_all_that_was() -> None:
    """Claim: a moment nobody has told of is earlier than any that somebody tells of later."""
    facts = Facts()
    assert (facts.people_s, facts.cartridge_s) == (-inf, -inf)
