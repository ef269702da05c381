"""What people are told: message, cause and what to do, in plain words, one row a rule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Text:
    """One operator's message."""

    message: str
    cause: str
    todo: str


TEXTS: Final[Mapping[str, Text]] = {
    "leak": Text("Water on the floor.",
        "A leak probe is wet.",
        "Shut the stopcock. Mop up, find where it came from, dry the probe, then reset."),
    "valve-flows": Text("Shut the stopcock now: water goes on after the valve was told to shut.",
        "Dirt in the valve, a welded relay contact, or the meter hears what is not there.",
        "Shut the stopcock by hand. Clean or replace the valve or relay, test it, then reset."),
    "valve-open": Text("Shut the stopcock now: the node reports the valve open after it was told "
        "to shut.",
        "The relay line does not follow, or the node does not obey.",
        "Shut the stopcock by hand. Test the relay with the water off, then reset."),
    "seep": Text("Water is running although no fill is.",
        "The valve seeps, or someone draws water behind the meter.",
        "Shut the stopcock and see whether the meter stops. Clean the valve."),
    "scald": Text("Valve shut: the incoming water is hot enough to scald.",
        "The mixing valve has failed hot.",
        "Keep hands out of the stream. Have the mixing valve seen to, then reset."),
    "over-volume": Text("Valve shut: more water went in than the vessel needed, and the float did "
        "not rise.",
        "The float is stuck low, the water goes somewhere else, or too few litres were given.",
        "Look where the water went. Move the float by hand and watch it here, then reset."),
    "float-early": Text("Valve shut: the float says full long before the litres are in.",
        "The float's wire is broken or unplugged, it was lifted, or the tank was fuller than "
        "thought.",
        "Check the water's height, then the float's wire and plug, then reset."),
    "over-mark": Text("Valve shut: the water reached the float before all the litres were in.",
        "More litres were asked for than there was room.",
        "Check the water's height. Ask for less next time, then reset."),
    "over-time": Text("Valve shut: the fill took longer than it can take.",
        "Low mains pressure, a clogged filter, or water that goes somewhere else.",
        "Look where the water went, look at the filter, then reset."),
    "float-unread": Text("Valve shut: the float switch gives no reading.",
        "Its driver or its pin has failed.",
        "See the node's log, check the wiring, prove the float by hand, then reset."),
    "leak-unread": Text("Valve shut: a leak probe gives no reading.",
        "Its driver or its pin has failed.",
        "See the node's log, check the wiring, prove the probe with a wet finger, then reset."),
    "engine-late": Text("Valve shut: the rules engine itself stood still for a while.",
        "Its computer was overloaded, suspended or frozen.",
        "See what else runs on that computer, then reset."),
    "broker-lost": Text("Valve shut: the message broker does not answer.",
        "The broker has stopped or hangs, or this computer's network is down.",
        "Start the broker again or mend the network, then reset."),
    "node-gone": Text("Valve shut: the node beside the valve has gone or started anew.",
        "It lost power or was restarted, or its program ended.",
        "Look at the Raspberry Pi beside the tank and its log, then reset."),
    "node-silent": Text("Valve shut: the node beside the valve has fallen silent.",
        "It is frozen, or the network between here and there is cut; from here both look alike.",
        "Go and look that the water has stopped. Then the network and the node's log; reset."),
    "interrupted": Text("A fill was cut short: the rules engine was started anew in mid-fill.",
        "The engine ended, was restarted, or its computer lost power. The valve shut by itself.",
        "Check the water's height, see the engine's log, then reset and start again."),
    "guard-c01": Text("The node shut the valve: the rules engine was gone.",
        "The engine ended or lost its connection in mid-fill.",
        "See the engine's log, then reset."),
    "guard-c02": Text("The node shut the valve: the rules engine fell silent.",
        "The engine was frozen, or the network between it and the node was cut.",
        "See the engine's log and the network, then reset."),
    "guard-c03": Text("The node shut the valve: the message broker did not answer.",
        "The broker has stopped or hangs, or the node's network is down.",
        "Start the broker again or mend the network, then reset."),
    "guard-c06": Text("The node shut the valve: its own program hung or failed.",
        "The node's event loop stood still, or an error went uncaught.",
        "See the node's log, then reset."),
    "guard-c12": Text("The node shut the valve: two engines or two fills claimed it.",
        "Two engines run for one station.",
        "Stop one of them, then reset."),
    "guard-g01": Text("The node shut the valve: it had been open for the longest time allowed.",
        "The fill went on for hours.",
        "Look where the water went, then reset."),
    "guard-s01": Text("The node shut the valve: it cannot read its float switch.",
        "The pin or its driver has failed.",
        "See the node's log, check the wiring, then reset."),
    "guard-s02": Text("The node shut the valve: it cannot read a leak probe.",
        "The pin or its driver has failed.",
        "See the node's log, check the wiring, then reset."),
    "guard-w06": Text("Water on the floor: the node shut the valve.",
        "A leak probe is wet.",
        "Shut the stopcock. Mop up, find where it came from, dry the probe, then reset."),
    "hot": Text("On hold: the incoming water is too warm.",
        "The mixing valve has drifted or failed.",
        "Check the mixing valve. The fill tries again by itself a few times."),
    "cold": Text("On hold: the incoming water is too cold.",
        "No hot water, or the mixing valve has drifted or failed.",
        "Check the hot supply. The fill tries again by itself a few times."),
    "no-flow": Text("On hold: the valve is open and no water comes.",
        "The stopcock is shut, the filter is blocked, or the meter is jammed.",
        "Open the stopcock, look at the filter and the meter. It tries again a few times."),
    "temp-unread": Text("On hold: the incoming water's temperature cannot be read.",
        "The sensor is unplugged or broken, or its cable is disturbed.",
        "Check the sensor's plug. The fill goes on by itself when readings return."),
    "flow-unread": Text("On hold: the flow meter cannot be read.",
        "Electrical noise on its line, or its driver has failed.",
        "Check the meter's cable. The fill goes on by itself when readings return."),
    "flow-impossible": Text("On hold: the flow meter counts more than it can.",
        "Electrical noise on its line.",
        "Check the meter's cable and earth. The fill tries again by itself a few times."),
    "node-quiet": Text("The node beside the valve is not heard.",
        "It is off, or the network is down.",
        "Look at the Raspberry Pi beside the tank. No fill can start until it is back."),
}  # fmt: skip
"""Every rule's message, by the rule's key."""
