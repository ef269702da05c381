"""The operator's page against the rules and the texts it is made from."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from monitor.core.hazards import RULES, Response, Rule, Severity
from monitor.core.messages import TEXTS
from monitor.core.permissives import PERMISSIVES

_FILE = Path(__file__).with_name("operators.py")
_SPEC = importlib.util.spec_from_file_location("operators", _FILE)
assert _SPEC is not None
assert _SPEC.loader is not None
operators = importlib.util.module_from_spec(_SPEC)
sys.modules["operators"] = operators
_SPEC.loader.exec_module(operators)


def test_the_page_is_what_the_tables_say() -> None:
    """Claim: hardware/alarms.md is up to date: python tests/proof/operators.py --write."""
    assert operators.PAGE.read_text(encoding="utf-8") == operators.rendered()


def test_every_alarm_and_every_refusal_has_its_row() -> None:
    """Claim: none is left out, each in the section of its severity, with its own words."""
    page = operators.rendered()
    sections = {
        level: page.partition(f"## {head}\n")[2].partition("\n## ")[0]
        for level, (head, _) in operators.HEADS.items()
    }
    assert set(sections) == {rule.severity for rule in RULES}
    for rule in RULES:
        text = TEXTS[rule.key]
        row = f"| {rule.id} | **{text.message}** | {text.cause} | {text.todo} |"
        assert sections[rule.severity].count(row) == 1, rule.key
    rows = sum(section.count("\n| ") - 1 for section in sections.values())
    assert rows == len(RULES)
    refusals = page.partition("## When nothing starts")[2]
    for check in PERMISSIVES:
        star = operators.STAR if check.unattended_only else ""
        assert f"\n| {check.reason}{star} | {check.remedy} |" in refusals


def test_a_person_finds_an_id_where_it_is_looked_for() -> None:
    """Claim: ids stand in the catalogue's order in each section: W, T, S, C, P, then numbers."""
    for level in operators.HEADS:
        lines = operators.table(level).splitlines()[2:]
        ids = [line.split(" | ")[0].removeprefix("| ") for line in lines]
        assert ids == sorted(ids, key=lambda i: ("WTSCPG".index(i[0]), int(i[1:])))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.key)
def test_what_brimwatch_does_is_said_as_it_is(rule: Rule) -> None:
    """Claim: the words follow the response, and a row that needs something fitted says what."""
    words = operators.does(rule)
    if rule.response is Response.WARN:
        assert words.startswith("tells you")
        assert ("until you reset" in words) is rule.latching
    elif rule.response is Response.HOLD:
        assert "tries again" in words
    else:
        assert "until you reset" in words
        assert "tells you" not in words
    assert ("plug" in words) is (rule.off != "")
    assert bool(operators.only_with(rule)) is (rule.needs != "")
    if rule.response is Response.CLOSE and "drain" in TEXTS[rule.key].message.lower():
        assert ("drain" in words) is ("Drain shut" in TEXTS[rule.key].message
                                      or "shut the drain" in TEXTS[rule.key].message)  # fmt: skip


def test_only_top_alarms_send_people_running() -> None:
    """Claim: the first section is that of the alarms that the program itself ranks first."""
    assert next(iter(operators.HEADS)) is Severity.TOP
    assert list(operators.HEADS) == sorted(operators.HEADS, reverse=True)
