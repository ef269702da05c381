"""One drawing for each device: how it is wired to the pin that the sample configs give it."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.wiring.sheet import Point, Sheet
from monitor.wiring.table import Wire
from proof.symbols import (
    arrow,
    block,
    capacitor,
    coil,
    contact,
    diode,
    fuse,
    ground,
    notes,
    resistor,
    water,
)

Rows = Mapping[str, Wire]
WIDTH = 780


def _pi(sheet: Sheet, at: Point, rows: Rows, *signals: str) -> list[Point]:
    """Draw the Pi's side with some of its pins; return where each one's wire begins."""
    size = (190, 34 + 30 * len(signals))
    block(sheet, at, size, "Raspberry Pi")
    ends = []
    for number, signal in enumerate(signals):
        row, y = rows[signal], at[1] + 40 + 30 * number
        name = signal if row.gpio is None else f"GPIO {row.gpio}"
        sheet.text((at[0] + size[0] - 10, y + 4.5), f"{name}, pin {row.place}", anchor="end")
        ends.append((at[0] + size[0], y))
    return ends


def _wire(sheet: Sheet, rows: Rows, signal: str, *points: Point) -> None:
    """Draw the wire of a signal in its colour, and name the colour above where it begins."""
    sheet.wire(points, rows[signal].wire)
    sheet.text((points[0][0] + 8, points[0][1] - 7), rows[signal].wire, "q")


def float_switch(rows: Rows) -> Sheet:
    """Draw a float loop, and how the floats hang."""
    sheet = Sheet(WIDTH, 470, "Float switch: a loop that is closed while all is well")
    sheet.text((20, 30), sheet.title, "h")
    (pin,) = _pi(sheet, (20, 60), rows, "float_high")
    y = pin[1]
    _wire(sheet, rows, "float_high", pin, (330, y))
    resistor(sheet, (330, y), (430, y), "1 kΩ")
    sheet.line([(430, y), (500, y)])
    sheet.dot((460, y))
    capacitor(sheet, (460, y), (460, y + 70), "100 nF at most")
    ground(sheet, (460, y + 70))
    contact(sheet, (500, y), (640, y), "reed contact, closed", closed=True)
    sheet.line([(640, y), (700, y), (700, y + 70)])
    ground(sheet, (700, y + 70), "")
    sheet.text((690, y + 98), "0 V strip", "q", "middle")
    notes(
        sheet,
        (30, 150),
        "the program switches on the pull-up",
        "inside the Pi; resistor and capacitor",
        "sit beside the Pi",
    )
    for number, (title, wet, told) in enumerate(
        (
            ("mark, above the mark, sump too", False, "full, storage: hangs, closed"),
            ("the same, lifted by water:", True, "open = tripped"),
            ("low mark, sump too low: floats,", True, "closed; fallen: open = tripped"),
        )
    ):
        _hanging(sheet, 40 + 250 * number, wet)
        notes(sheet, (24 + 250 * number, 424), title, told)
    return sheet


def _hanging(sheet: Sheet, x: float, wet: bool) -> None:
    surface = 320.0 if wet else 380.0
    water(sheet, (x, surface), (180, 400 - surface))
    sheet.line([(x, 250), (x, 400), (x + 180, 400), (x + 180, 250)])
    sheet.line([(x + 180, 300), (x + 130, 300)])
    sheet.box((x + 122, 294), (12, 12), "f", 2)
    tip = (x + 70, surface - 5 if wet else 346)
    sheet.line([(x + 128, 300), tip])
    sheet.box((tip[0] - 22, tip[1] - 10), (44, 20), "f", 9)


def leak_probe(rows: Rows) -> Sheet:
    """Draw a leak probe with the place of an end-of-line resistor."""
    sheet = Sheet(WIDTH, 320, "Leak probe: two contacts on the floor that water joins")
    sheet.text((20, 30), sheet.title, "h")
    (pin,) = _pi(sheet, (20, 60), rows, "floor")
    y = pin[1]
    _wire(sheet, rows, "floor", pin, (340, y))
    resistor(sheet, (340, y), (440, y), "1 kΩ")
    sheet.line([(440, y), (600, y), (600, 180)])
    sheet.line([(640, 180), (640, y), (720, y), (720, y + 45)])
    ground(sheet, (720, y + 45), "")
    sheet.text((706, y + 53), "0 V strip", "q", "end")
    sheet.line([(600, y), (600, 125), (640, 125), (640, y)], "d")
    sheet.box((608, 119), (24, 12), "f", 0)
    water(sheet, (530, 184), (180, 16))
    sheet.line([(500, 200), (750, 200)])
    sheet.text((520, 218), "floor, its lowest place", "q")
    notes(
        sheet,
        (30, 160),
        "dashed: where an end-of-line resistor sits in alarm systems. A pin of",
        "the Pi reads open or closed and nothing between, so brimwatch",
        "does not read one.",
    )
    notes(
        sheet,
        (30, 250),
        "A cut wire reads as dry for ever: the wet finger each month is its only test.",
        "Very soft water hardly conducts: prove it with the water you have. Where that "
        "fails, a module with an",
        "open-collector output takes its place: output to the pin, supply 3.3 V.",
    )
    return sheet


def thermometer(rows: Rows) -> Sheet:
    """Draw the 1-Wire bus."""
    sheet = Sheet(WIDTH, 330, "Thermometers DS18B20: three wires, all on one bus")
    sheet.text((20, 30), sheet.title, "h")
    power, data = _pi(sheet, (20, 60), rows, "3.3 V", "1-Wire")
    _wire(sheet, rows, "3.3 V", power, (730, power[1]))
    _wire(sheet, rows, "1-Wire", data, (730, data[1]))
    zero = data[1] + 30
    sheet.wire([(240, zero), (730, zero)], "black")
    sheet.text((248, zero - 7), "black, from the 0 V strip", "q")
    sheet.dot((420, power[1]))
    sheet.dot((420, data[1]))
    sheet.line([(420, power[1]), (420, data[1])])
    sheet.box((414, power[1] + 6), (12, 18), "f", 0)
    sheet.text((430, power[1] + 19), "4.7 kΩ, one for the bus")
    for x, name in ((590, "incoming"), (690, "tank")):
        for number, y in enumerate((power[1], data[1], zero)):
            sheet.dot((x + 14 * number, y))
            sheet.line([(x + 14 * number, y), (x + 14 * number, 200)])
        sheet.box((x - 8, 200), (44, 60), "f", 10)
        sheet.text((x + 14, 280), name, "b", "middle")
    notes(
        sheet,
        (30, 200),
        "incoming: in the stream behind the mixing valve, its tip in the water",
        "tank: out of the stream of the hose",
        "cable: one line without stars, some 10 m",
    )
    notes(
        sheet,
        (30, 310),
        "Three wires each: one fed over its data wire alone may tell 85 °C for ever.",
    )
    return sheet


def flow_meter(rows: Rows) -> Sheet:
    """Draw both kinds of meter output."""
    sheet = Sheet(WIDTH, 485, "Flow meter: never more than 3.3 V at the pin")
    sheet.text((20, 30), sheet.title, "h")
    sheet.text((20, 62), "A. Its output only pulls down (open collector)", "b")
    (pin,) = _pi(sheet, (20, 75), rows, "meter")
    y = pin[1]
    _wire(sheet, rows, "meter", pin, (560, y))
    block(sheet, (560, y - 40), (190, 110), "flow meter", "pulse", "supply, as labelled", "0 V")
    notes(
        sheet,
        (222, y + 34),
        "the pull-up inside the Pi makes the high level;",
        "no resistor to 5 V, also not inside the meter",
    )
    sheet.text((20, 232), "B. Its output drives 5 V itself", "b")
    (pin,) = _pi(sheet, (20, 245), rows, "meter")
    y = pin[1]
    _wire(sheet, rows, "meter", pin, (400, y))
    sheet.dot((400, y))
    resistor(sheet, (400, y), (560, y), "10 kΩ")
    resistor(sheet, (400, y), (400, y + 80), "15 kΩ")
    ground(sheet, (400, y + 80))
    block(sheet, (560, y - 40), (190, 110), "flow meter", "pulse, 0 to 5 V", "supply 5 V", "0 V")
    notes(
        sheet,
        (30, y + 130),
        "5.0 V × 15 / (10 + 15) = 3.0 V, and 5.5 V still makes 3.3 V.",
        "Which is yours? Supply on, nothing joined: A stays below 0.5 V; B reaches 5 V.",
        "Before it goes to the pin, the wire of B reads 2.4 to 3.3 V high and below 0.5 V low.",
    )
    return sheet


def relay(rows: Rows) -> Sheet:
    """Draw the relay of the valve and the valve's own circuit."""
    sheet = Sheet(WIDTH, 520, "Relay and valve: energised to open, anything else shuts")
    sheet.text((20, 30), sheet.title, "h")
    five, pin = _pi(sheet, (20, 60), rows, "5 V", "valve")
    _module(sheet, rows, "valve", five, pin)
    _power(sheet, "valve, normally closed", "float at the mark (optional)", closed=True)
    notes(
        sheet,
        (30, 478),
        "Diode: 1 A, 100 V or more, its bar (cathode) to plus. Fuse: slow, next "
        "above the coil's current.",
        "Drawn without power: the contact is open and the valve shut.",
    )
    return sheet


def _module(sheet: Sheet, rows: Rows, signal: str, five: Point, pin: Point) -> None:
    _wire(sheet, rows, "5 V", five, (520, five[1]))
    _wire(sheet, rows, signal, pin, (520, pin[1]))
    x = 290
    sheet.dot((x, pin[1]))
    resistor(sheet, (x, pin[1]), (x, pin[1] + 80), "10 kΩ: keeps it released while")
    sheet.text((x + 14, pin[1] + 62), "the Pi starts, or is off")
    ground(sheet, (x, pin[1] + 80))
    block(
        sheet,
        (520, five[1] - 40),
        (230, 120),
        "relay module",
        "supply",
        "",
        "input, takes 3.3 V",
        "0 V, to the strip",
    )


def _power(sheet: Sheet, load: str, float_words: str, *, closed: bool) -> None:
    """Draw the circuit of a coil: supply, fuse, the relay's contact, a float, the load."""
    top, low = 310, 430
    block(
        sheet,
        (20, 280),
        (190, 180),
        "supply 12 or 24 V d.c.",
        "certified, SELV,",
        "double insulated,",
        "behind an RCD",
    )
    sheet.text((200, top + 4), "+", "b", "end")
    sheet.text((200, low + 4), "−", "b", "end")
    fuse(sheet, (210, top), (300, top), "fuse")
    contact(sheet, (300, top), (400, top), "relay contact, NO", closed=False)
    sheet.line([(400, top), (430, top)])
    contact(sheet, (430, top), (610, top), float_words, closed=closed)
    sheet.line([(610, top), (680, top)])
    coil(sheet, (680, top), (680, low), "")
    sheet.dot((610, top))
    sheet.dot((610, low))
    diode(sheet, (610, low), (610, top), "")
    sheet.text((592, 375), "diode", anchor="end")
    sheet.line([(680, low), (210, low)])
    sheet.text((700, low + 20), load, anchor="end")


def drain(rows: Rows) -> Sheet:
    """Draw the relay of a drain and its circuit."""
    sheet = Sheet(WIDTH, 520, "Drain pump or valve: a relay of its own, no current no water")
    sheet.text((20, 30), sheet.title, "h")
    five, pin = _pi(sheet, (20, 60), rows, "5 V", "drain")
    _module(sheet, rows, "drain", five, pin)
    _power(sheet, "pump, or normally-closed valve", "storage float (optional)", closed=True)
    notes(
        sheet,
        (30, 478),
        "A pump that stands still lets water siphon on: vent its hose above the "
        "rim, or let it end above",
        "the water. The diode sits at the motor or coil, its bar (cathode) to plus.",
    )
    return sheet


def buzzer(rows: Rows) -> Sheet:
    """Draw the buzzer."""
    sheet = Sheet(WIDTH, 250, "Buzzer: active, 3.3 V")
    sheet.text((20, 30), sheet.title, "h")
    (pin,) = _pi(sheet, (20, 60), rows, "buzzer")
    y = pin[1]
    _wire(sheet, rows, "buzzer", pin, (380, y))
    block(sheet, (380, y - 40), (200, 64), "buzzer", "plus")
    sheet.text((570, y - 1), "minus", anchor="end")
    sheet.line([(580, y), (660, y), (660, y + 60)])
    ground(sheet, (660, y + 60))
    notes(
        sheet,
        (30, 200),
        "Up to 8 mA straight from the pin. More: an NPN transistor, 4.7 kΩ to its "
        "base, emitter to 0 V,",
        "buzzer between 5 V and collector.",
    )
    return sheet


def level(rows: Rows) -> Sheet:
    """Draw a level probe with its converter."""
    sheet = Sheet(WIDTH, 560, "Level probe, 4 to 20 mA, on a converter at 3.3 V")
    sheet.text((20, 30), sheet.title, "h")
    signals = ("3.3 V", "SPI clock", "SPI data out", "SPI data in", "SPI select")
    ends = _pi(sheet, (20, 60), rows, *signals)
    words = ("VDD and VREF", "CLK", "DIN", "DOUT", "CS")
    block(sheet, (440, 60), (200, 250), "converter MCP3208")
    for signal, end, word in zip(signals, ends, words, strict=True):
        _wire(sheet, rows, signal, end, (440, end[1]))
        sheet.text((450, end[1] + 4.5), word)
    sheet.text((450, ends[-1][1] + 34), "AGND, DGND: 0 V strip")
    sheet.text((450, ends[-1][1] + 64), "CH0")
    channel = (440, ends[-1][1] + 60)
    sheet.line([channel, (400, channel[1]), (400, 360)])
    resistor(sheet, (400, 360), (300, 360), "1 kΩ")
    sheet.dot((400, 360))
    resistor(sheet, (400, 360), (400, 440), "100 kΩ: a broken wire reads 0 V")
    ground(sheet, (400, 440))
    sheet.line([(300, 360), (240, 360)])
    sheet.dot((240, 360))
    resistor(sheet, (240, 360), (240, 440), "125 Ω, 0.1 %")
    ground(sheet, (240, 440))
    sheet.line([(240, 360), (120, 360)])
    fuse(sheet, (120, 360), (60, 360), "")
    sheet.text((90, 346), "fuse 63 mA", anchor="middle")
    sheet.line([(60, 360), (40, 360), (40, 400)])
    block(
        sheet,
        (20, 400),
        (195, 84),
        "level probe",
        "its plus: 24 V d.c., SELV,",
        "whose minus is on 0 V",
    )
    notes(
        sheet,
        (30, 520),
        "4 mA × 125 Ω = 0.5 V with no water, 20 mA × 125 Ω = 2.5 V at its span: "
        "zero_v = 0.5, full_v = 2.5.",
        "The converter from 3.3 V only: at 5 V its output would "
        "end the Pi. 10 kΩ from CS to 3.3 V.",
    )
    return sheet


def plugs(_rows: Rows) -> Sheet:
    """Draw that nothing is wired to a plug."""
    sheet = Sheet(
        WIDTH, 330, "Mains plugs: certified, switched over the network, never wired to us"
    )
    sheet.text((20, 30), sheet.title, "h")
    block(sheet, (20, 70), (180, 90), "Raspberry Pi", "engine and broker")
    block(
        sheet,
        (330, 70),
        (190, 90),
        "certified plug",
        "heater or return pump",
        "indoors: as its label says",
    )
    block(sheet, (610, 70), (150, 90), "heater or pump", "with its own", "thermostat")
    arrow(sheet, [(200, 100), (330, 100)])
    arrow(sheet, [(330, 140), (200, 140)])
    sheet.text((265, 92), "order", "q", "middle")
    sheet.text((265, 132), "its own state", "q", "middle")
    sheet.line([(520, 120), (540, 120), (540, 200), (590, 200), (590, 120), (610, 120)])
    sheet.text((565, 218), "drip loop, below plug and socket", "q", "middle")
    block(
        sheet,
        (330, 235),
        (430, 84),
        "socket behind an RCD of 30 mA or less",
        "installed by a licensed electrician,",
        "outside the zones of your code",
    )
    sheet.line([(425, 160), (425, 235)])
    notes(
        sheet,
        (30, 220),
        "no wire of this project",
        "leads to any of these:",
        "only words over the network",
    )
    return sheet


DEVICES = {
    "float": float_switch,
    "leak": leak_probe,
    "thermometer": thermometer,
    "flow": flow_meter,
    "relay": relay,
    "drain": drain,
    "buzzer": buzzer,
    "level": level,
    "plugs": plugs,
}
