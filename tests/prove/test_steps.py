"""The steps as data: nothing that the pre-fill check asks for is left out, and each can be read."""

from __future__ import annotations

import pytest

from monitor.app import plan_of
from monitor.config import Ds18b20, Float, Leak
from monitor.config.parts import FloatRole
from monitor.core.facts import VALVE
from monitor.core.hazards import RULES
from monitor.prove import steps
from monitor.prove.steps import Act, proofs_of
from support.rehearsals import config_of, known

DRILLS = ["guard", "kill", "network", "people"]


@pytest.mark.parametrize("name", ["river", "full"])
def test_all_that_must_be_proven_has_its_proof(name: str) -> None:
    """Every part that an unattended fill asks for has a proof that notes it, and nothing else that
    is noted would be refused; floats, probes and thermometers beyond them can be tried, too.
    """
    river = config_of(name).stations["river"]
    proven = plan_of(river).proven
    proofs = known(river)
    noted = {part for part, proof in proofs.items() if proof.notes.get("what") == "proof"}
    assert noted == set(proven)
    assert all(proofs[part].notes == {"what": "proof", "part": part} for part in noted)
    touched = [*river.fitted(Float), *river.fitted(Leak), *river.fitted(Ds18b20), VALVE]
    assert list(proofs) == [*touched, *DRILLS]


def test_every_float_role_has_its_words() -> None:
    """No role of the config is without a way to trip it by hand."""
    assert set(steps._ROLES) == set(FloatRole.__args__)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", ["river", "full"])
def test_each_step_says_do_expect_otherwise(name: str) -> None:
    """No step leaves a person alone; what opens the valve says what is to be done with the
    stopcock, and asks what only eyes can see.
    """
    for proof in known(config_of(name).stations["river"]).values():
        assert proof.steps
        for step in proof.steps:
            assert step.do
            assert step.expect
            assert step.otherwise
            if step.act not in (Act.CONTACT, Act.WARMTH):
                assert step.asks.endswith("?")
            if step.act in (Act.DRY, Act.WET, Act.GUARD, Act.KILL, Act.CUT):
                assert "stopcock" in step.do.lower()


def test_an_alarm_that_a_step_waits_for_is_one_that_is_armed_at_rest() -> None:
    """With no fill running each of these hazards has a rule that can raise it."""
    at_rest = {rule.id for rule in RULES if "idle" in {phase.value for phase in rule.armed}}
    alarms = {step.alarm for proof in known(config_of("full").stations["river"]).values()
              for step in proof.steps}  # fmt: skip
    assert alarms - {""} == {"W01", "W06", "W08", "W09"}
    assert alarms - {""} <= at_rest


def test_where_all_is_one_program_there_is_no_cable_to_pull() -> None:
    """Without a broker of its own nothing lies between the parts."""
    river = config_of().stations["river"]
    without = [proof.part for proof in proofs_of(river, (), network=False)]
    assert "network" not in without
    assert "kill" in without
