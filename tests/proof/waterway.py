"""One drawing of the water's way, from the stopcock to the drain."""

from __future__ import annotations

from monitor.wiring.sheet import Sheet
from proof.symbols import arrow, notes, water

LINE_Y = 110
STATIONS = (
    ("stopcock", "in reach,", "and it turns"),
    ("backflow", "preventer, as", "your code asks"),
    ("mixing valve", "with a stop", "against scalding"),
    ("filter", "over a tray or", "a floor drain"),
    ("flow meter", "straight pipe", "before it"),
    ("thermometer", "incoming,", "in the stream"),
    ("valve", "normally closed,", "slow enough"),
)


def waterway() -> Sheet:
    """Draw what stands along the water, in its order."""
    sheet = Sheet(1120, 670, "The way of the water: what stands where, and which gap keeps it safe")
    sheet.text((20, 30), sheet.title, "h")
    for number, (name, *more) in enumerate(STATIONS):
        x = 20 + 135 * number
        sheet.box((x, LINE_Y - 30), (115, 84))
        sheet.text((x + 57, LINE_Y - 8), name, "b", "middle")
        for row, words in enumerate(more):
            sheet.text((x + 57, LINE_Y + 14 + 18 * row), words, anchor="middle")
        arrow(sheet, [(x + 115, LINE_Y), (x + 135, LINE_Y)])
    sheet.line([(945, LINE_Y), (1000, LINE_Y), (1000, 190), (690, 190), (690, 230)])
    arrow(sheet, [(690, 225), (690, 240)])
    sheet.text((980, 184), "hose, fixed so that it cannot slip", anchor="end")
    _tank(sheet)
    _below(sheet)
    return sheet


def _tank(sheet: Sheet) -> None:
    water(sheet, (420, 295), (400, 155))
    sheet.line([(420, 262), (420, 450), (820, 450), (820, 262)])
    sheet.line([(670, 240), (760, 240)], "d")
    arrow(sheet, [(740, 268), (740, 242)])
    arrow(sheet, [(740, 268), (740, 293)])
    notes(
        sheet,
        (838, 236),
        "air gap, from the hose end to the",
        "highest water: twice the bore, and",
        "at least 20 mm (EN 1717) or 25 mm",
        "(ASME A112.1.2). Your code decides",
        "where it is measured from",
    )
    sheet.line([(420, 280), (340, 280), (340, 340)])
    arrow(sheet, [(340, 340), (340, 400)])
    notes(sheet, (180, 300), "overflow, above", "the mark, to a drain:", "carries the full flow")
    sheet.box((430, 287), (26, 16), "f", 7)
    notes(sheet, (464, 314), "high float: the mark", "(a second one a little above)")
    sheet.box((690, 396), (90, 16), "f", 7)
    sheet.text((735, 390), "heater", anchor="middle")
    sheet.box((430, 372), (26, 16), "f", 7)
    sheet.text((464, 384), "low float: the low mark")
    sheet.box((434, 418), (8, 26), "f", 3)
    sheet.text((464, 436), "tank thermometer")
    sheet.box((786, 430), (26, 16), "f", 3)
    sheet.text((776, 442), "level probe", anchor="end")


def _below(sheet: Sheet) -> None:
    water(sheet, (520, 560), (190, 50))
    sheet.line([(520, 520), (520, 610), (710, 610), (710, 520)])
    arrow(sheet, [(600, 450), (600, 555)])
    sheet.text((612, 490), "weir to the sump; the return pump lifts it back")
    sheet.box((676, 528), (26, 16), "f", 7)
    sheet.box((676, 582), (26, 16), "f", 7)
    notes(
        sheet,
        (724, 540),
        "sump floats: too full, too low.",
        "Room in it for all that drains",
        "down when the pump stops",
    )
    water(sheet, (60, 570), (150, 40))
    sheet.line([(60, 520), (60, 610), (210, 610), (210, 520)])
    sheet.line([(420, 430), (390, 430), (390, 500), (150, 500), (150, 540)])
    arrow(sheet, [(150, 540), (150, 560)])
    notes(
        sheet,
        (236, 528),
        "drain pump, valve or hose: it ends",
        "above the water, or it siphons;",
        "a hose only with you beside it",
    )
    sheet.box((70, 530), (26, 16), "f", 7)
    sheet.text((60, 634), "storage for the old water, with its float: full")
    sheet.line([(20, 650), (1100, 650)])
    sheet.box((980, 634), (40, 14), "f", 3)
    sheet.text((970, 645), "leak probe, at the lowest place", anchor="end")
