"""What goes into a station's step and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.core.alarm import Alarm
from monitor.core.exchange import (
    GuardReport,
    Permit,
    PlugOrder,
    PlugState,
    Presence,
    ReadingPack,
    Reply,
    Request,
    Withdraw,
)
from monitor.core.facts import Facts
from monitor.core.hazards import Severity
from monitor.core.phases import Phase
from monitor.core.plan import Fill

# --- in ---


@dataclass(frozen=True, slots=True)
class Heard:
    """A pack of readings arrived."""

    pack: ReadingPack


@dataclass(frozen=True, slots=True)
class Guarded:
    """The guard beside the valve reports."""

    report: GuardReport


@dataclass(frozen=True, slots=True)
class Here:
    """A role came or went."""

    presence: Presence


@dataclass(frozen=True, slots=True)
class Linked:
    """The engine's own connection to the broker came or went."""

    up: bool


@dataclass(frozen=True, slots=True)
class Echo:
    """The broker returned the engine's own message: it is alive."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A person asks for something. `fill_id` is a fresh identity, used only for a fill."""

    request: Request
    fill_id: str


@dataclass(frozen=True, slots=True)
class Told:
    """The shell tells what the core cannot sense."""

    facts: Facts


@dataclass(frozen=True, slots=True)
class Plugged:
    """A mains plug says whether it is on."""

    state: PlugState


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing happened, but the time the step asked for has come."""


Given = Heard | Guarded | Here | Linked | Echo | Asked | Told | Plugged | Tick

# --- out ---


@dataclass(frozen=True, slots=True)
class SendPermit:
    """Send a permit; the shell puts the engine's identity in."""

    permit: Permit


@dataclass(frozen=True, slots=True)
class SendWithdraw:
    """Take the permit back; the shell puts the engine's identity in."""

    withdraw: Withdraw


@dataclass(frozen=True, slots=True)
class SwitchPlug:
    """Switch a mains plug of ours."""

    order: PlugOrder


@dataclass(frozen=True, slots=True)
class Noted:
    """A person has done or proven something: keep it, and tell the new facts. `what` is "proof",
    "cartridge" or "people"; `part` is a sensor's id or `facts.VALVE` for a proof.
    """

    what: str
    part: str
    by: str


@dataclass(frozen=True, slots=True)
class AskEcho:
    """Send something to ourselves through the broker, to see whether it answers."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Answer a person's request."""

    reply: Reply


@dataclass(frozen=True, slots=True)
class AlarmTurned:
    """An alarm changed its state."""

    key: str
    id: str
    severity: Severity
    alarm: Alarm


@dataclass(frozen=True, slots=True)
class Turned:
    """The phase changed."""

    phase: Phase
    cause: str
    key: str


@dataclass(frozen=True, slots=True)
class FillBegun:
    """The first permit of a fill is about to go out."""

    fill: Fill


@dataclass(frozen=True, slots=True)
class FillEnded:
    """A fill is over; `fill.ended` says how, `cause` is the first cause of a stop."""

    fill: Fill
    cause: str
    key: str


@dataclass(frozen=True, slots=True)
class FillRefused:
    """The pre-fill checks did not pass in time; nothing has flowed."""

    fill: Fill
    failing: tuple[str, ...]  # keys of `permissives.PERMISSIVES`
    text: str


Action = (
    SendPermit
    | SendWithdraw
    | SwitchPlug
    | Noted
    | AskEcho
    | Answer
    | AlarmTurned
    | Turned
    | FillBegun
    | FillEnded
    | FillRefused
)
