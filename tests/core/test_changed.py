"""A changed copy: as `dataclasses.replace` makes it, and just as strict about names."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from monitor.core.changed import changed
from monitor.core.phases import Phase
from monitor.core.plan import Station


def test_a_changed_copy_is_what_replace_would_make() -> None:
    """Claim: the same record, and the one before is left alone."""
    before = Station()
    after = changed(before, phase=Phase.DONE, seq=7)
    assert after == replace(before, phase=Phase.DONE, seq=7)
    assert before == Station()
    assert {f.name for f in fields(Station)} == set(after.__dict__)


def test_a_name_that_is_no_field_is_a_mistake() -> None:
    """Claim: a slip of the pen does not make a new field."""
    with pytest.raises(TypeError, match=r"Station has no .*'fase'"):
        changed(Station(), fase=Phase.DONE)
