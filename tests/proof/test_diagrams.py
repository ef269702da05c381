"""The committed diagrams against the tables they are drawn from."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import pytest

_FILE = Path(__file__).with_name("diagrams.py")
_SPEC = importlib.util.spec_from_file_location("diagrams", _FILE)
assert _SPEC is not None
assert _SPEC.loader is not None
diagrams = importlib.util.module_from_spec(_SPEC)
sys.modules["diagrams"] = diagrams
_SPEC.loader.exec_module(diagrams)


@pytest.mark.parametrize("name", sorted(diagrams.sheets()))
def test_a_diagram_shows_its_table_as_it_is(name: str) -> None:
    """Claim: none is out of date: python tests/proof/diagrams.py --write."""
    sheet = diagrams.sheets()[name]
    assert (diagrams.FOLDER / name).read_text(encoding="utf-8") == diagrams.drawn(sheet)


def test_a_changed_table_changes_the_drawing() -> None:
    """Claim: the check above can fail."""
    sheet = diagrams.sheets()["guard.svg"]
    edges = dict(sheet.edges)
    edges.pop(("open", "blocked"))
    assert diagrams.drawn(replace(sheet, edges=edges)) != diagrams.drawn(sheet)
