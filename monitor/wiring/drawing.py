"""The 40-pin header to scale, with a wire to each part, drawn from the pin table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.config.header import GPIO_AT, PITCH_MM, ROWS, SUPPLIES
from monitor.wiring.sheet import CHAR_W, Sheet
from monitor.wiring.table import Wire

PX_PER_MM: Final = 10
PITCH: Final = PITCH_MM * PX_PER_MM
PIN: Final = 0.64 * PX_PER_MM  # the square posts of a 2.54 mm header
PLATE_W, PLATE_H = 88, 16  # the small plate beside each pin that says what it is
LANE: Final = 13  # how far wires that run side by side keep apart
STRAIGHT: Final = 5  # a smaller step than this would look like a slip of the pen
MARGIN, TOP = 20, 70
TITLE_H, PORT_H, NOTE_H, GAP = 24, 20, 22, 14


@dataclass(slots=True)
class _Box:
    """One part as drawn: its wires in the order of their pins, and where its top is."""

    title: str
    wires: list[Wire]
    top: float = 0.0

    @property
    def height(self) -> float:
        return TITLE_H + PORT_H * len(self.wires) + (NOTE_H if self.note else 6)

    @property
    def note(self) -> str:
        return self.wires[0].also

    def port_y(self, wire: Wire) -> float:
        return self.top + TITLE_H + PORT_H * (self.wires.index(wire) + 0.5)

    @property
    def source_y(self) -> float:
        return sum(_row_y(wire.place) for wire in self.wires) / len(self.wires)


def _left(place: int) -> bool:
    return place % 2 == 1


def _row_y(place: int) -> float:
    """Return how far below the first row's middle a pin's row is."""
    return (place - 1) // 2 * PITCH


def drawn(title: str, nodes: Mapping[str, Sequence[Wire]], notes: Sequence[str] = ()) -> str:
    """Return the SVG of the headers of some nodes, one below the other, notes at the foot."""
    plans = {node: _boxes(wires) for node, wires in nodes.items()}
    both = [[box for plan in plans.values() for box in plan[side]] for side in (0, 1)]
    widths = [_box_width(boxes) for boxes in both]
    lanes = [max(sum(len(box.wires) for box in plan[side]) for plan in plans.values())
             for side in (0, 1)]  # fmt: skip
    board = 2 * (PITCH / 2 + PLATE_W + 20)
    channels = [LANE * (count + 1) for count in lanes]
    width = 2 * MARGIN + sum(widths) + sum(channels) + board
    middle = MARGIN + widths[0] + channels[0] + board / 2
    heights = [max(_stacked(left), _stacked(right), ROWS * PITCH + 40) + 60
               for left, right in plans.values()]  # fmt: skip
    foot = 30 + 18 * len(notes)
    sheet = Sheet(width, TOP + sum(heights) + foot, f"{title}: the wires of the 40-pin header")
    sheet.text((MARGIN, 30), sheet.title, "h")
    sheet.text((MARGIN, 52), "Wire with the power off. Each box names its wire's colour in words; "
               "the header is drawn at 10 px for 1 mm.", "q")  # fmt: skip
    top: float = TOP
    for (node, sides), height in zip(plans.items(), heights, strict=True):
        _node(sheet, node, sides, (middle, top, height), widths)
        top += height
    _scale(sheet, (middle - 50, top - 6))
    for number, note in enumerate(notes):
        sheet.text((MARGIN, top + 26 + 18 * number), note)
    return sheet.svg()


def _boxes(wires: Sequence[Wire]) -> tuple[list[_Box], list[_Box]]:
    """Return the parts of one node that go to the left of the header and to its right."""
    parts: dict[str, list[Wire]] = {}
    for wire in wires:
        # A bus goes to its chips, and everything else to a part of its own.
        bus = wire.gpio is None or "SPI" in wire.signal
        own = wire.part if wire.part.startswith(wire.signal) else f"{wire.signal}: {wire.part}"
        parts.setdefault(wire.part if bus else own, []).append(wire)
    sides: tuple[list[_Box], list[_Box]] = ([], [])
    for title, group in parts.items():
        group.sort(key=lambda wire: wire.place)
        odd = sum(_left(wire.place) for wire in group)
        sides[0 if 2 * odd >= len(group) else 1].append(_Box(title, group))
    for side in sides:
        side.sort(key=lambda box: box.source_y)
    return sides


def _stacked(boxes: Sequence[_Box]) -> float:
    return sum(box.height + GAP for box in boxes)


def _port_words(wire: Wire) -> str:
    where = f"pin {wire.place}" if wire.gpio is None else f"GPIO {wire.gpio}, pin {wire.place}"
    bus = f"{wire.signal}, " if "SPI" in wire.signal else ""
    return f"{wire.wire}: {bus}{where}"


def _box_width(boxes: Sequence[_Box]) -> float:
    words = [text for box in boxes for text in (box.title, box.note, *map(_port_words, box.wires))]
    return 24 + CHAR_W * max(map(len, words), default=20)


def _node(sheet: Sheet, name: str, sides: tuple[list[_Box], list[_Box]],
          at: tuple[float, float, float], widths: Sequence[float]) -> None:  # fmt: skip
    middle, top, height = at
    first = top + (height - 60 - (ROWS - 1) * PITCH) / 2 + 30
    half = PITCH / 2 + PLATE_W + 20
    sheet.text((middle, first - 46), name, "b", "middle")
    sheet.box((middle - half, first - 36), (2 * half, ROWS * PITCH + 46), "f", 8)
    for side, boxes in enumerate(sides):
        y = top + max(0.0, (height - 60 - _stacked(boxes)) / 2) + 10
        for box in boxes:
            box.top = y
            y += box.height + GAP
        edge = sheet.width - MARGIN - widths[1] if side else MARGIN + widths[0]
        _channel(sheet, boxes, side == 0, (middle, first, half, edge))
    _header(sheet, (middle, first))
    for side, boxes in enumerate(sides):
        x = MARGIN if side == 0 else sheet.width - MARGIN - widths[1]
        for box in boxes:
            _part(sheet, box, x, widths[side])


def _channel(sheet: Sheet, boxes: Sequence[_Box], left: bool,
             at: tuple[float, float, float, float]
) -> None:
    """Draw the wires of one side, each in a lane of its own.

    Wires that go down take the lanes from the lowest pin outwards, those that go up from the
    highest: so none crosses another as long as pins and parts stand in the same order.
    """
    middle, first, half, edge = at
    out = -1 if left else 1
    runs = []
    for box in boxes:
        for wire in box.wires:
            crosses = _left(wire.place) != left
            begin = first + _row_y(wire.place) + (PITCH / 2 if crosses else 0)
            runs.append((begin, box.port_y(wire), crosses, wire))
    down = sorted((run for run in runs if run[1] > run[0]), key=lambda run: -run[0])
    up = sorted((run for run in runs if run[1] <= run[0]), key=lambda run: run[0])
    for lane, (begin, end, crosses, wire) in enumerate((*down, *up), 1):
        x = middle + out * (half + LANE * lane)
        column = middle + (-PITCH / 2 if _left(wire.place) else PITCH / 2)
        y = begin if abs(end - begin) < STRAIGHT else end
        start = [(column, begin - PITCH / 2)] if crosses else []
        sheet.wire([*start, (column, begin), (x, begin), (x, y), (edge, y)],
                   wire.wire)  # fmt: skip


def _header(sheet: Sheet, at: tuple[float, float]) -> None:
    """Draw the pins with their plates."""
    middle, first = at
    sheet.line([(middle - PITCH, first - PITCH / 2), (middle + PITCH, first - PITCH / 2),
                (middle + PITCH, first + (ROWS - 0.5) * PITCH),
                (middle - PITCH, first + (ROWS - 0.5) * PITCH),
                (middle - PITCH, first - PITCH / 2)], "d")  # fmt: skip
    for place in range(1, 2 * ROWS + 1):
        out = -1 if _left(place) else 1
        x, y = middle + out * PITCH / 2, first + _row_y(place)
        sheet.line([(x - PIN / 2, y - PIN / 2), (x + PIN / 2, y - PIN / 2),
                    (x + PIN / 2, y + PIN / 2), (x - PIN / 2, y + PIN / 2)], "s")  # fmt: skip
        inner = x + out * (PITCH / 2 + 3)
        sheet.box((inner if out > 0 else inner - PLATE_W, y - PLATE_H / 2), (PLATE_W, PLATE_H),
                  "p", 2)  # fmt: skip
        name = SUPPLIES.get(place) or f"GPIO {GPIO_AT[place]}"
        near, far = (inner + out * 5, inner + out * (PLATE_W - 5))
        sheet.text((near, y + 4.5), str(place), "q", "end" if out < 0 else "start")
        sheet.text((far, y + 4.5), name, "", "start" if out < 0 else "end")
    sheet.text((middle - PITCH, first - 20), "pin 1", "b", "middle")


def _part(sheet: Sheet, box: _Box, x: float, width: float) -> None:
    sheet.box((x, box.top), (width, box.height))
    sheet.text((x + 10, box.top + 17), box.title, "b")
    for wire in box.wires:
        sheet.text((x + 10, box.port_y(wire) + 4.5), _port_words(wire))
    if box.note:
        sheet.text((x + 10, box.top + box.height - 8), box.note, "q")


def _scale(sheet: Sheet, at: tuple[float, float]) -> None:
    x, y = at
    sheet.line([(x, y - 4), (x, y + 4)])
    sheet.line([(x, y), (x + 10 * PX_PER_MM, y)])
    sheet.line([(x + 10 * PX_PER_MM, y - 4), (x + 10 * PX_PER_MM, y + 4)])
    sheet.text((x + 5 * PX_PER_MM, y + 18), "10 mm", "q", "middle")
