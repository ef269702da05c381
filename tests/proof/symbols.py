"""Circuit symbols on a sheet, simple ones in the manner of IEC 60617, and little pictures of water.

Each runs along a straight line from one point to another, so that a circuit is a list of them.
"""

from __future__ import annotations

import math

from monitor.wiring.sheet import Point, Sheet


def _along(begin: Point, end: Point, half: float) -> tuple[Point, Point, Point, Point]:
    """Return where a symbol of length `2 * half` begins and ends, its direction and its side."""
    dx, dy = end[0] - begin[0], end[1] - begin[1]
    length = math.hypot(dx, dy)
    ahead = (dx / length, dy / length)
    middle = ((begin[0] + end[0]) / 2, (begin[1] + end[1]) / 2)
    near = (middle[0] - ahead[0] * half, middle[1] - ahead[1] * half)
    far = (middle[0] + ahead[0] * half, middle[1] + ahead[1] * half)
    return near, far, ahead, (-ahead[1], ahead[0])


def _label(sheet: Sheet, begin: Point, end: Point, words: str, off: float) -> None:
    """Write beside a symbol: above a level one, to the right of an upright one."""
    x, y = (begin[0] + end[0]) / 2, (begin[1] + end[1]) / 2
    if abs(end[0] - begin[0]) > abs(end[1] - begin[1]):
        sheet.text((x, y - off), words, anchor="middle")
    else:
        sheet.text((x + off + 2, y + 4.5), words)


def _framed(sheet: Sheet, begin: Point, end: Point, half: float, wide: float) -> None:
    near, far, _, side = _along(begin, end, half)
    sheet.line([begin, near])
    sheet.line([far, end])
    corners = [
        (near[0] + side[0] * wide, near[1] + side[1] * wide),
        (far[0] + side[0] * wide, far[1] + side[1] * wide),
        (far[0] - side[0] * wide, far[1] - side[1] * wide),
        (near[0] - side[0] * wide, near[1] - side[1] * wide),
    ]
    sheet.line([*corners, corners[0]])


def resistor(sheet: Sheet, begin: Point, end: Point, words: str) -> None:
    """Draw a resistor."""
    _framed(sheet, begin, end, 18, 6)
    _label(sheet, begin, end, words, 12)


def fuse(sheet: Sheet, begin: Point, end: Point, words: str) -> None:
    """Draw a fuse: a frame with its wire through it."""
    _framed(sheet, begin, end, 16, 6)
    sheet.line([begin, end])
    _label(sheet, begin, end, words, 12)


def coil(sheet: Sheet, begin: Point, end: Point, words: str) -> None:
    """Draw a coil or a motor: a wide frame."""
    _framed(sheet, begin, end, 14, 22)
    _label(sheet, begin, end, words, 28)


def diode(sheet: Sheet, begin: Point, end: Point, words: str) -> None:
    """Draw a diode that conducts from `begin` to `end`."""
    near, far, _, side = _along(begin, end, 8)
    sheet.line([begin, near])
    sheet.line([far, end])
    left = (near[0] + side[0] * 8, near[1] + side[1] * 8)
    right = (near[0] - side[0] * 8, near[1] - side[1] * 8)
    sheet.line([left, right, far, left], "s")
    sheet.line([(far[0] + side[0] * 9, far[1] + side[1] * 9),
                (far[0] - side[0] * 9, far[1] - side[1] * 9)])  # fmt: skip
    _label(sheet, begin, end, words, 14)


def capacitor(sheet: Sheet, begin: Point, end: Point, words: str) -> None:
    """Draw a capacitor."""
    near, far, _, side = _along(begin, end, 3)
    sheet.line([begin, near])
    sheet.line([far, end])
    for point in (near, far):
        sheet.line([(point[0] + side[0] * 12, point[1] + side[1] * 12),
                    (point[0] - side[0] * 12, point[1] - side[1] * 12)])  # fmt: skip
    _label(sheet, begin, end, words, 16)


def contact(sheet: Sheet, begin: Point, end: Point, words: str, *, closed: bool) -> None:
    """Draw a contact as it is at rest."""
    near, far, ahead, side = _along(begin, end, 16)
    sheet.line([begin, near])
    sheet.line([far, end])
    sheet.dot(near)
    sheet.dot(far)
    lift = 0 if closed else 14
    reach = (far[0] - ahead[0] * (4 if lift else 0), far[1] - ahead[1] * (4 if lift else 0))
    sheet.line([near, (reach[0] - side[0] * lift, reach[1] - side[1] * lift)])
    _label(sheet, begin, end, words, 20)


def ground(sheet: Sheet, at: Point, words: str = "0 V strip") -> None:
    """Draw where a wire goes to 0 V."""
    x, y = at
    for width, down in ((12, 0), (8, 4), (4, 8)):
        sheet.line([(x - width, y + down), (x + width, y + down)])
    if words:
        sheet.text((x + 18, y + 9), words, "q")


def block(sheet: Sheet, at: Point, size: Point, title: str, *lines: str) -> None:
    """Draw a box with a title and some lines in it."""
    sheet.box(at, size)
    sheet.text((at[0] + 10, at[1] + 19), title, "b")
    for number, words in enumerate(lines):
        sheet.text((at[0] + 10, at[1] + 39 + 18 * number), words)


def notes(sheet: Sheet, at: Point, *lines: str) -> None:
    """Write some lines, one below the other."""
    for number, words in enumerate(lines):
        sheet.text((at[0], at[1] + 18 * number), words)


def arrow(sheet: Sheet, points: list[Point], style: str = "l") -> None:
    """Draw a line that ends in an arrow head."""
    sheet.line(points, style)
    (x0, y0), (x, y) = points[-2:]
    turn = math.atan2(y - y0, x - x0)
    wings = [(x - 9 * math.cos(turn + way), y - 9 * math.sin(turn + way)) for way in (0.4, -0.4)]
    sheet.line([(x, y), *wings, (x, y)], "s")


def water(sheet: Sheet, at: Point, size: Point) -> None:
    """Draw water with its surface."""
    sheet.box(at, size, "z", 0)
    sheet.line([at, (at[0] + size[0], at[1])])
