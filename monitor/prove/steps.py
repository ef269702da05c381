"""What there is to prove at a station: do, expect, otherwise stop, step by step, as data.

The order is that of commissioning: first what can be proven without water, then the valve with the
stopcock shut, then with water, and last what must hold when a program or the network goes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from monitor.config import Ds18b20, Float, Leak, Station
from monitor.core.facts import VALVE

HANDS_S: Final = 180.0  # until a person has done what was asked
FEW_L: Final = 2.0  # that flow when the valve is tried
DRILL_L: Final = 15.0  # a minute or more, to have time for a command or a cable
RISE_C: Final = 1.0  # a hand warms a thermometer by more


class Act(StrEnum):
    """What must be seen of a step."""

    CONTACT = "contact"  # a float or a probe changes, and the engine knows
    WARMTH = "warmth"  # a thermometer rises
    DRY = "dry"  # the relay opens the valve, no water comes, and it shuts again
    WET = "wet"  # a few litres flow, and it shuts
    GUARD = "guard"  # with the valve open a wet probe shuts it beside the valve
    KILL = "kill"  # with the valve open the program at the pins is killed
    CUT = "cut"  # with the valve open the network is pulled
    PEOPLE = "people"  # somebody is reached


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. `now` is told when the valve is open, `then` when its end has been seen."""

    act: Act
    part: str
    do: str
    expect: str
    otherwise: str
    now: str = ""
    then: str = ""
    value: float = 1.0  # what a contact reads then
    alarm: str = ""  # the hazard of which an alarm must be raised
    asks: str = ""  # what a person must say of it, as a question
    within_s: float = HANDS_S


@dataclass(frozen=True, slots=True)
class Proof:
    """All steps of one part, or of one drill. `notes` is what the engine is told once all passed:
    nothing for a drill, nor for a part that no pre-fill check asks for.
    """

    part: str
    title: str
    steps: tuple[Step, ...]
    notes: Mapping[str, str] = field(default_factory=dict)


_ROLES: Final[Mapping[str, tuple[str, str, str, str]]] = {
    "high": ("float at the mark", "Lift the float", "Let it hang again", ""),
    "over": ("second float", "Lift the second float", "Let it hang again", "W01"),
    "low": ("float at the low mark", "Push the float down, or lower it",
            "Let it swim up again", ""),
    "sump_high": ("float of the full sump", "Lift the sump's upper float",
                  "Let it hang again", "W08"),
    "sump_low": ("float of the empty sump", "Push the sump's lower float down",
                 "Let it swim up again; its pump's plug goes off meanwhile, if it has one", "W09"),
    "storage_full": ("float of the waste vessel", "Lift the waste vessel's float",
                     "Let it hang again", ""),
}  # fmt: skip
"""A float's role: what it is, how it is tripped, how it is let go, and the alarm that comes."""


def proofs_of(
    station: Station, proven: tuple[str, ...], *, network: bool = True
) -> tuple[Proof, ...]:
    """Return all there is to prove, in order. `proven` are the parts that the pre-fill check asks
    for (`core.plan.Plan.proven`); without a `network` between the parts there is none to pull.
    """
    contacts = [_float(part, each) for part, each in station.fitted(Float).items()]
    contacts += [_leak(part) for part in station.fitted(Leak)]
    heat = [_thermometer(part) for part in station.fitted(Ds18b20)]
    probe = next(iter(station.fitted(Leak)))
    parts = [
        Proof(p.part, p.title, p.steps, _notes(p.part) if p.part in proven else {})
        for p in (*contacts, *heat, _valve())
    ]
    cable = (_network(),) if network else ()
    return (*parts, _guard(probe), _kill(station), *cable, _people())


def _notes(part: str) -> dict[str, str]:
    return {"what": "proof", "part": part}


def _float(part: str, each: Float) -> Proof:
    title, trip, let_go, alarm = _ROLES[each.role]
    stop = "its loop, its pin, its plug: see hardware/float.md"
    return Proof(part, f"{part}: {title}", (
        Step(Act.CONTACT, part, f"{trip} by hand, and hold it.",
             "the reading changes, and the engine knows it within a second", stop, alarm=alarm),
        Step(Act.CONTACT, part, f"{let_go}.", "the reading goes back", stop, value=0.0),
    ))  # fmt: skip


def _leak(part: str) -> Proof:
    stop = "probe, pin, wet_when: see hardware/leak.md"
    return Proof(part, f"{part}: leak probe", (
        Step(Act.CONTACT, part, "Wet the probe with tank water.",
             "the alarm W06 within a second, and the buzzer", stop, alarm="W06"),
        Step(Act.CONTACT, part, "Dry the probe.", "the reading goes back, and the alarm lets go",
             stop, value=0.0),
    ))  # fmt: skip


def _thermometer(part: str) -> Proof:
    return Proof(part, f"{part}: thermometer", (
        Step(Act.WARMTH, part, "Hold the thermometer in your hand.",
             f"it rises by {RISE_C:g} °C within a minute or two",
             "its address, its place, its plug: see hardware/thermometer.md"),
    ))  # fmt: skip


def _valve() -> Proof:
    return Proof(VALVE, "valve: without and with water", (
        Step(Act.DRY, VALVE, "SHUT THE STOPCOCK. The valve is then opened, by an attended fill.",
             "the relay clicks, no water comes, after a while the relay clicks again (W15)",
             "the relay, its pin, active_high: see hardware/relay.md",
             asks="Did the relay click twice, and no water come?"),
        Step(Act.WET, VALVE, f"Open the stopcock, the hose where it belongs. {FEW_L:g} L flow.",
             "water flows, then stops, and stands still",
             "SHUT THE STOPCOCK; valve, relay, meter",
             asks="Did the water stop?"),
    ))  # fmt: skip


def _guard(probe: str) -> Proof:
    return Proof("guard", "guard: a wet probe in mid-fill", (
        Step(Act.GUARD, probe, f"Stopcock open. Up to {DRILL_L:g} L flow: stand at the probe.",
             "the node itself shuts the valve, within a second of the wet probe",
             "SHUT THE STOPCOCK; valve, relay, probe",
             now="The valve is open: WET THE PROBE NOW.", then="Dry the probe.",
             asks="Did the water stop?"),
    ))  # fmt: skip


def _kill(station: Station) -> Proof:
    command = "sudo systemctl kill -s KILL brimwatch-node"
    else_one = 'kill -9 and the number that `pgrep -f "brimwatch run"` shows'
    return Proof("kill", "kill: the program at the pins dies in mid-fill", (
        Step(Act.KILL, VALVE,
             f"Stopcock open. Up to {DRILL_L:g} L flow. Type this on {station.node}, and do not "
             f"press Enter yet:  {command}  (where all is one program: {else_one}).",
             "the water stops; the fill has ended as interrupted when the program is back",
             "SHUT THE STOPCOCK; the resistor at the relay's input, the relay",
             now="The valve is open: PRESS ENTER THERE NOW.",
             then="Start the program again, if the service manager does not.",
             asks="Did the water stop within three seconds?"),
    ))  # fmt: skip


def _network() -> Proof:
    return Proof("network", "network: the cable is pulled in mid-fill", (
        Step(Act.CUT, VALVE,
             f"Stopcock open. Up to {DRILL_L:g} L flow. Have a hand at the node's network cable, "
             "or at its router's.",
             "the node shuts the valve by itself within three seconds",
             "SHUT THE STOPCOCK; the permit did not run out: report it, and do not use it",
             now="The valve is open: PULL THE CABLE NOW.", then="Put the cable back.",
             asks="Did the water stop within three seconds?"),
    ))  # fmt: skip


def _people() -> Proof:
    return Proof("people", "people: somebody can be reached", (
        Step(Act.PEOPLE, "people",
             "brimwatch sends no messages yet: ring whoever is to come if it floods, by telephone.",
             "somebody answers, and knows where the stopcock is",
             "no unattended fill today",
             asks="Did somebody answer?"),
    ), {"what": "people"})  # fmt: skip
