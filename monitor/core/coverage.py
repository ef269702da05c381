"""What a station's configuration covers of everything that can go wrong, and how well.

One row a hazard, with the ways it is covered, best first. A way needs parts that not every station
has (`Cover.needs`, attributes of a `Plan`); the first whose parts are all there is the one that
counts. The last needs nothing: what holds for everybody, or that the hazard cannot arise. A row
that no part can make FULL says in `rest` what covers what is left: hardware, or a habit. Rows keep
the ids of the rules (`hazards`) and of the failure-mode table in SAFETY.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from math import isfinite
from typing import Any, Final

from monitor.core.plan import Plan


class Grade(IntEnum):
    """How well a hazard is covered."""

    NONE = 0  # nothing sees it
    PARTLY = 1  # seen late or not always, or a person has to stop it
    FULL = 2  # answered as it must be, within its bound


@dataclass(frozen=True, slots=True)
class Cover:
    """One way a hazard is covered. A `switched` one holds only where the drain is ours to stop."""

    how: str
    grade: Grade
    needs: tuple[str, ...] = ()
    switched: bool = False


@dataclass(frozen=True, slots=True)
class Danger:
    """One hazard, the ways it is covered, and what covers what software never can."""

    id: str
    name: str
    covers: tuple[Cover, ...]
    rest: str = ""


@dataclass(frozen=True, slots=True)
class Covered:
    """How one station covers one hazard. `better` names what to fit for the best there is: keys of
    `FITS`.
    """

    id: str
    name: str
    grade: Grade
    how: str
    better: tuple[str, ...]
    rest: str


_FULL, _PARTLY, _NONE = Grade.FULL, Grade.PARTLY, Grade.NONE
_DRAIN: Final = "drain"
_METER, _STREAM = ("flow_in",), ("temp_in",)
_BALANCE: Final = ("level", "flow_in")  # what came in, held against what has risen

FITS: Final[Mapping[str, str]] = {
    "flow_in": 'a flow meter: [station.{}.sensor.NAME] kind = "flow"',
    "temp_in": 'a thermometer in the stream: [station.{}.sensor.NAME] kind = "ds18b20", '
    'role = "incoming"',
    "overs": 'a second float above the mark: [station.{}.sensor.NAME] kind = "float", '
    'role = "over"',
    "level": 'a level probe: [station.{}.sensor.NAME] kind = "level"',
    "sump_highs": "a float at the sump's highest water: [station.{}.sensor.NAME] "
    'kind = "float", role = "sump_high"',
    "sump_lows": "a float at the sump's lowest water: [station.{}.sensor.NAME] "
    'kind = "float", role = "sump_low"',
    "pump_plug": "a certified plug for the return pump: [station.{}.plug.pump]",
    "return_pump": "the question after the return pump: return_pump = true in [station.{}]",
    "lows": 'a float at the low mark: [station.{}.sensor.NAME] kind = "float", role = "low"',
    "stores": "a float in the vessel for the waste water: [station.{}.sensor.NAME] "
    'kind = "float", role = "storage_full"',
    _DRAIN: 'a drain that brimwatch can stop: [station.{}.drain] by = "valve" or "pump"',
    "heater": "word of the heater: [station.{}.heater] exposed_m",
    "temp_tank": 'a thermometer in the tank: [station.{}.sensor.NAME] kind = "ds18b20", '
    'role = "tank"',
    "tank_change_c": "how far a fill may move the tank: change_c in [station.{}.tank]",
    "tank_low_c": "how cold the tank may be: low_c in [station.{}.tank]",
    "tank_high_c": "how warm the tank may be: high_c in [station.{}.tank]",
    "has_filter": "the cartridge's life: litres and days in [station.{}.filter]",
    "people_check": "somebody who can be reached: people_check = true in [station.{}]",
    "desk": 'word of the desk: desk = "warn" or "close" in [station.{}]',
}
"""What to fit, and the table of the config that it stands in; the gap is the station's."""

_NO_METER: Final = "there is no meter"
_NO_THERMOMETER: Final = "there is no thermometer in the stream"
_HOW_WARM: Final = "nobody knows how warm the water comes in"


def _always(how: str) -> tuple[Cover, ...]:
    """What every station covers in full: all it takes is there in each."""
    return (Cover(how, _FULL),)


def _in_part(how: str) -> tuple[Cover, ...]:
    """What every station covers as far as software can."""
    return (Cover(how, _PARTLY),)


_WATER: Final = (
    Danger("W01", "main float stuck low", (
        Cover("a second float shuts within a second", _FULL, ("overs",)),
        Cover("the level shuts, a centimetre above the mark", _FULL, ("level",)),
        Cover("litres and minutes end it before need and margin are in", _FULL, _METER),
        Cover("the leak probe once it runs over, else the minutes of a slow flow", _PARTLY),
    )),
    Danger("W02", "hose out of the tank", (
        Cover("the level does not rise: shut within a minute", _FULL, _BALANCE),
        Cover("the leak probe, else litres and minutes", _PARTLY),
    )),
    Danger("W03", "hose split between meter and tank", (
        Cover("a fifth of the water missing shuts within five minutes", _FULL, _BALANCE),
        Cover("the leak probe, if the water runs to it", _PARTLY),
    )),
    Danger("W04", "valve does not close", (
        Cover("people are called within 15 s", _PARTLY, _METER),
        Cover("people are called if the relay is read as on, and if the probe gets wet", _PARTLY),
    ), "a second valve in series, an overflow to a drain, a stopcock that turns"),
    Danger("W05", "valve seeps while shut", (
        Cover("the meter tells of much, the level's trend of little", _FULL, _BALANCE),
        Cover("the meter tells of half a litre a minute and more", _PARTLY, _METER),
        Cover("the level's trend tells of it within a day", _PARTLY, ("level",)),
        Cover("nothing would show it", _NONE),
    )),
    Danger("W06", "leak on the floor, fill or no fill",
           _always("the probe shuts within a second, with or without engine and network")),
    Danger("W07", "filter housing bursts upstream of the valve",
           _in_part("a leak probe beside it calls people; the valve cannot help"),
           "the stopcock shut when nobody is there, the filter over a drain"),
    Danger("W08", "sump overflows when the return pump stops", (
        Cover("its float shuts within a second, and no fill starts while it is high", _PARTLY,
              ("sump_highs",)),
        Cover("nothing watches a sump", _NONE),
    ), "room in the sump for all that drains down by itself"),
    Danger("W09", "pump restarted with too little or too much water", (
        Cover("the sump's floats tell of it, and the pump is switched off when it draws air",
              _FULL, ("sump_lows", "sump_highs", "pump_plug")),
        Cover("the sump's low float tells of too little", _PARTLY, ("sump_lows",)),
        Cover("nothing watches the sump for it", _NONE),
    )),
    Danger("W10", "pump not restarted after the fill", (
        Cover("you are told until somebody, or its plug, says that it runs", _PARTLY,
              ("return_pump",)),
        Cover("nobody is asked", _NONE),
    ), "a look at the moving water: the pump itself is not seen"),
    Danger("W11", "drain open or siphoning while filling", (
        Cover("what is missing, and what sinks afterwards, is seen by the level", _FULL,
              _BALANCE),
        Cover("seen late, when litres or minutes are over and the float is not up", _PARTLY),
    )),
    Danger("W12", "mains pressure lost, hose end under water", (
        Cover("the level falls: shut within a minute", _PARTLY, _BALANCE),
        Cover("nothing can tell which way the water goes", _NONE),
    ), "an air gap or the backflow preventer of the local code, always"),
    Danger("W13", "another tap opened", _always("no fault: the forecast widens and recovers")),
    Danger("W14", "flow falls as the filter clogs", _in_part("the time fixed at the start ends it"),
           "a look at `brimwatch history --trend`: it tells the date, and raises no alarm"),
    Danger("W15", "no flow at all", (
        Cover("held within 30 s, tried again, then shut for good", _FULL, _METER),
        Cover("not seen; the minutes end it", _PARTLY),
    )),
    Danger("W16", "meter jammed while water flows", (
        Cover("shut within 30 s, and told from no flow by the level", _FULL, _BALANCE),
        Cover("held as no flow; each try lets in water unmeasured", _PARTLY, _METER),
        Cover(_NO_METER, _FULL),
    )),
    Danger("W17", "meter over- or under-reads", (
        Cover("held against the level; the tighter of the two ends the fill", _FULL, _BALANCE),
        Cover("nothing to hold it against", _NONE, _METER),
        Cover(_NO_METER, _FULL),
    )),
    Danger("W18", "wrong volume typed", (
        Cover("refused if there is less room up to the mark", _FULL, ("level",)),
        Cover("refused if the vessel cannot take it; else the float ends it", _FULL),
    )),
    Danger("W19", "waves, arms and rocks in the water",
           _always("a delay of at most three seconds, which no wave can prolong")),
    Danger("W20", "top-up device adds water at the same time", (
        Cover("told: more rises than the meter counts", _FULL, _BALANCE),
        Cover("not told of; the float ends the fill all the same", _PARTLY),
    )),
    Danger("W21", "waste storage full while draining", (
        Cover("its float stops the drain within a second", _FULL, ("stores",), switched=True),
        Cover("nothing watches a vessel for the waste water", _NONE),
    )),
    Danger("W22", "level falls below the heater while draining", (
        Cover("no drain starts while it is on; the level stops one before it is bare", _FULL,
              ("heater", "level")),
        Cover("no drain starts while it is on; the low float tells the rest, if it hangs above it",
              _PARTLY, ("heater", "lows")),
        Cover("no drain starts while it is on, as far as anybody knows", _PARTLY, ("heater",)),
        Cover("nobody has said that there is a heater", _NONE),
    )),
    Danger("W23", "drain runs on past the mark", (
        Cover("the low float stops it within a second; a siphon that is left shows in the level",
              _FULL, (_DRAIN, "lows", "level"), switched=True),
        Cover("the low float stops it within a second; a siphon left at it is not seen",
              _PARTLY, (_DRAIN, "lows"), switched=True),
        Cover("the level stops it, and tells of a siphon that is left", _PARTLY,
              (_DRAIN, "level"), switched=True),
        Cover("only the minutes end it", _PARTLY, (_DRAIN,), switched=True),
        Cover("you are told when the hose must come out, and if the water sinks past the mark",
              _PARTLY, (_DRAIN, "level")),
        Cover("you are told when the hose must come out", _PARTLY, (_DRAIN, "lows")),
        Cover("you are told to take the hose out when the time is up", _PARTLY, (_DRAIN,)),
        Cover("letting water out is not watched: stay with it", _NONE),
    )),
    Danger("W24", "two fills at once from one supply",
           _always("one after the other: the second is refused")),
    Danger("W25", "slow closing lets water through", (
        Cover("what came late in earlier fills is taken off the target", _FULL, ("level",)),
        Cover("the same in a fill by litres; to the mark, the float ends it where it hangs",
              _PARTLY),
    )),
)  # fmt: skip

_WARMTH: Final = (
    Danger("T01", "mixing valve fails hot", (
        Cover("held within 10 s of the sensor, scalding shuts at once", _PARTLY, _STREAM),
        Cover(_HOW_WARM, _NONE),
    ), "a mechanical mixing valve with a stop: the sensor lags by seconds"),
    Danger("T02", "boiler out, mixing valve fails cold", (
        Cover("held within 30 s, then shut", _FULL, _STREAM),
        Cover(_HOW_WARM, _NONE),
    )),
    Danger("T03", "first slug from the pipe", (
        Cover("the purge litres are let by, and never when they scald", _FULL, _STREAM),
        Cover(_HOW_WARM, _NONE),
    )),
    Danger("T04", "drift inside the band moves the tank too far", (
        Cover("the tank is worked out ahead: told, then shut before it has moved too far", _FULL,
              ("temp_in", "temp_tank", "tank_change_c")),
        Cover("the same, from the temperature that the config gives for the tank", _PARTLY,
              ("temp_in", "tank_change_c")),
        Cover("only the bands hold it", _PARTLY, _STREAM),
        Cover(_HOW_WARM, _NONE),
    )),
    Danger("T05", "sensor not in the stream", (
        Cover("told within five minutes of flow; then no fill starts unattended", _FULL, _STREAM),
        Cover(_NO_THERMOMETER, _FULL),
    )),
    Danger("T06", "thermometer gone, or telling nonsense", (
        Cover("never taken for a reading; held after three missed ones", _FULL, _STREAM),
        Cover(_NO_THERMOMETER, _FULL),
    )),
    Danger("T07", "carbon used up", (
        Cover("told at nine tenths of its litres or days, and no unattended fill after the last",
              _PARTLY, ("has_filter",)),
        Cover("nobody counts its litres and days", _NONE),
    ), "a total-chlorine test: nothing here measures chlorine or chloramine"),
    Danger("T08", "sensors swapped", (
        Cover("refused if the tank's thermometer reads what the tank cannot be", _PARTLY,
              ("temp_in", "temp_tank", "tank_low_c", "tank_high_c")),
        Cover("nothing tells one thermometer from another", _NONE),
    ), "each warmed by hand once, and watched here"),
)  # fmt: skip

_SENSORS: Final = (
    Danger("S01", "float wire broken", _always("reads as high: shut within a second")),
    Danger("S02", "leak probe corroded or cut",
           _in_part("no unattended fill once its proof test is too old; cut since, it reads dry"),
           "the monthly test with a wet finger"),
    Danger("S03", "splash or condensation on a probe", _always("a delay within its second")),
    Danger("S04", "electrical noise on the meter", (
        Cover("beyond the meter's range it is held; below it, the level does not rise with it",
              _FULL, _BALANCE),
        Cover("beyond the meter's range it is held; below it, it looks like flow", _PARTLY,
              _METER),
        Cover(_NO_METER, _FULL),
    )),
    Danger("S05", "float chatter starves the debounce", _always("shut within three seconds")),
    Danger("S06", "reading frozen", (
        Cover("a level that does not move shuts within a minute; flow and incoming temperature "
              "are expected to move too", _PARTLY, _BALANCE),
        Cover("flow and incoming temperature, if measured, are expected to move", _PARTLY),
    ), "the proof tests: a float and a probe say the same for months"),
    Danger("S07", "two sensors for one thing disagree", _always("the worse one wins")),
    Danger("S08", "relay pin pulses at boot, or floats when the process dies",
           _in_part("a pin that would open the valve at boot is refused"),
           "the resistor at the relay's input, and the kill test"),
    Danger("S09", "relay inverted in the config", (Cover("nothing can tell", _NONE),),
           "the first start, with the stopcock off"),
    Danger("S10", "relay contact welded, coil open", (
        Cover("people are called within 15 s; a coil that is open is no flow", _PARTLY, _METER),
        Cover("not seen by itself", _NONE),
    ), "as for a valve that does not close"),
    Danger("S11", "sensor never proof-tested",
           _always("no fill starts unattended until floats, probes and valve are proven")),
    Danger("S12", "same pin used twice, pin of a bus", _always("refused when the config is read")),
)  # fmt: skip

_COMPUTERS: Final = (
    Danger("C01", "rules engine killed", _always("shut within 3 s")),
    Danger("C02", "rules engine frozen", _always("shut within 3 s")),
    Danger("C03", "broker killed or frozen", _always("shut within 3 s")),
    Danger("C04", "network cut, one way or both", _always("shut within 3 s")),
    Danger("C05", "node killed", _in_part("the relay is let go, and people are told"),
           "the resistor at the relay's input, and the kill test"),
    Danger("C06", "node frozen or its loop blocked", _in_part("shut within 5 s by its own watch"),
           "systemd for a process that is stopped, the Pi's own watchdog for a kernel that hangs"),
    Danger("C07", "kernel hang, power cut",
           _in_part("without power it is shut; no fill resumes by itself"),
           "the Pi's own watchdog, switched on"),
    Danger("C08", "restart of any part in mid-fill", _always("the fill is over; nothing reopens")),
    Danger("C09", "old, replayed, duplicated or reordered permit", _always("ignored")),
    Danger("C10", "clock jumps", _always("nothing that shuts uses the clock on the wall")),
    Danger("C11", "malformed, huge or hostile payload; storm",
           _always("dropped and counted; told of above a rate")),
    Danger("C12", "two nodes of one name, two engines on one station",
           _always("neither is obeyed, within 3 s")),
    Danger("C13", "disk full, read-only, record corrupt",
           _always("told; shutting and alarms go on, and nothing that is written is lost")),
    Danger("C14", "internet down", (
        Cover("no unattended fill unless somebody could be reached within a day", _PARTLY,
              ("people_check",)),
        Cover("nobody asks whether anybody can be reached", _NONE),
    ), "the sounder beside the tank, and a person within hearing"),
    Danger("C15", "stranger on the network tries to open the valve",
           _always("passwords and the broker's access list refuse it")),
    Danger("C16", "page or notifier crashes", (
        Cover("the valve shuts when the desk is not heard and nobody stays there", _FULL,
              ("desk_closes",)),
        Cover("told, and no fill starts unattended", _FULL, ("desk",)),
        Cover("the water is as safe as before, and nobody is told", _PARTLY),
    )),
    Danger("C17", "two people start or stop at once", _always("one fill; stop wins")),
    Danger("C18", "queue grows without limit",
           _always("every queue has its end; what is lost looks like silence, and that shuts")),
)  # fmt: skip

_PEOPLE: Final = (
    Danger("P01", "nobody reads the alarm",
           _in_part("the sounder goes on until somebody has seen it"),
           "a person within hearing: nothing escalates yet"),
    Danger("P02", "alarm acknowledged, water still on the floor",
           _always("having seen it opens nothing and clears nothing")),
    Danger("P03", "reset while still wet", _always("refused, with the reason")),
    Danger("P04", "too many alarms at once",
           _always("the first cause stays on top, and a flood of them is told of")),
    Danger("P05", "left in simulation by mistake",
           _always("every line says so, and simulated and real parts refuse each other")),
    Danger("P06", "limits loosened beyond sense", _always("refused when the config is read")),
)  # fmt: skip

DANGERS: Final = _WATER + _WARMTH + _SENSORS + _COMPUTERS + _PEOPLE
"""Every hazard of the catalogue, in its order."""


def covered(plan: Plan) -> tuple[Covered, ...]:
    """Return how a station covers each hazard, in the catalogue's order."""
    return tuple(_covered(danger, plan) for danger in DANGERS)


def _covered(danger: Danger, plan: Plan) -> Covered:
    lacks = [_missing(cover, plan) for cover in danger.covers]
    place = lacks.index(())
    here = danger.covers[place]
    before = danger.covers[:place] if here.grade is not Grade.FULL else ()
    # Of the best ways before it the one that lacks least; of those the last asks for least.
    best = [lacks[i] for i, cover in enumerate(before) if cover.grade is before[0].grade]
    better = min(reversed(best), key=len, default=())
    return Covered(danger.id, danger.name, here.grade, here.how, better, danger.rest)


def _missing(cover: Cover, plan: Plan) -> tuple[str, ...]:
    """Return what a station lacks for a way of being covered."""
    lacks = tuple(need for need in cover.needs if not _fitted(getattr(plan, need)))
    ours = not cover.switched or plan.drain in ("valve", "pump")
    return lacks if ours or _DRAIN in lacks else (*lacks, _DRAIN)


def _fitted(value: Any) -> bool:
    """Say whether a field of a plan stands for something that is there: a number that is none, or
    has no end, stands for nothing.
    """
    return isfinite(value) if isinstance(value, float) else bool(value)
