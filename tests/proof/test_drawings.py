"""The committed wiring pages and drawings against the configs that they are made from."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from proof import drawings
from proof.devices import DEVICES

SVG = "{http://www.w3.org/2000/svg}"
PICTURES = drawings.pictures()
PAGES = sorted(drawings.FOLDER.glob("*.md"))


def test_no_page_or_drawing_is_out_of_date() -> None:
    """Claim: what is committed is what the configs give: python tests/proof/drawings.py --write."""
    assert [path.name for path in drawings.stale()] == []


def test_a_moved_pin_makes_them_stale(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Claim: the check above can fail: another pin in a config changes its table and drawings."""
    for file in drawings.SAMPLES.glob("*.toml"):
        text = file.read_text(encoding="utf-8").replace("pin = 17", "pin = 26")
        (tmp_path / file.name).write_text(text, encoding="utf-8")
    monkeypatch.setattr(drawings, "SAMPLES", tmp_path)
    names = {path.name for path in drawings.stale()}
    assert {"relay.svg", "relay.md", "README.md", "pins.md", "pins.svg", "whole.svg"} <= names


@pytest.mark.parametrize("name", sorted(PICTURES))
def test_a_drawing_can_be_read(name: str) -> None:
    """Claim: letters have 13 px at 100 %, every word begins and ends on the sheet (by the letters'
    mean width), and it has a title for those who cannot see it.
    """
    svg = ET.fromstring(PICTURES[name])  # noqa: S314 - our own text
    width, height = (float(svg.attrib[key]) for key in ("width", "height"))
    assert svg.attrib["aria-label"]
    sizes = re.findall(r"font[^;}]*?(\d+)px", next(svg.iter(f"{SVG}style")).text or "")
    assert min(map(int, sizes)) >= 13
    for each in svg.iter(f"{SVG}text"):
        long = 7.0 * len(each.text or "")
        shift = {None: 0.0, "middle": 0.5, "end": 1.0}[each.get("text-anchor")]
        left = float(each.attrib["x"]) - shift * long
        assert left >= 0, each.text
        assert left + long <= width, each.text
        assert 10 <= float(each.attrib["y"]) <= height, each.text


@pytest.mark.parametrize("name", sorted(DEVICES))
def test_each_device_has_its_page_with_drawing_and_steps(name: str) -> None:
    """Claim: each page shows its drawing, and says what to do, to expect and when to stop."""
    text = (drawings.FOLDER / f"{name}.md").read_text(encoding="utf-8")
    assert f"]({name}.svg)" in text
    assert re.search(r"^\|.*\bdo \| expect \| otherwise stop \|$", text, re.MULTILINE)


def test_every_colour_on_a_wire_is_named_in_words() -> None:
    """Claim: a wire in a device's drawing has its colour's name beside it."""
    rows = drawings.by_signal(drawings.rows_of("full"))
    seen = 0
    for name, draw in DEVICES.items():
        svg = ET.fromstring(draw(rows).svg())  # noqa: S314 - our own text
        words = [each.text or "" for each in svg.iter(f"{SVG}text")]
        wires = sum(each.get("stroke-width") == "5.5" for each in svg.iter(f"{SVG}path"))
        colours = {row.wire for row in rows.values()}
        named = sum(word.split(",")[0] in colours for word in words)
        assert named == wires, name
        seen += wires
    assert seen > 10


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_and_pictures_of_the_wiring_pages_lead_somewhere(page: Path) -> None:
    """Claim: every file that a page names in a link is there."""
    links = re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8"))
    missing = [link for link in links if "://" not in link and not (page.parent / link).exists()]
    assert missing == []


def test_the_parts_of_the_first_page_are_on_the_samples_pins() -> None:
    """Claim: a GPIO that hardware/README.md's words send a wire to is that part's in the sample."""
    text = (drawings.FOLDER / "README.md").read_text(encoding="utf-8")
    parts = text.partition("## Parts and how to wire them")[2].partition("\n## ")[0]
    rows = drawings.by_signal(drawings.rows_of("river"))
    signals = {"relay": "valve", "float": "float_high", "leak probe": "floor",
               "flow meter": "meter",
               "thermometer": "1-Wire", "buzzer": "buzzer"}  # fmt: skip
    told = dict(re.findall(r"^\| ([\w ]+) \|[^|]+\|[^|]*?GPIO (\d+)", parts, re.MULTILINE))
    assert told == {part: str(rows[signal].gpio) for part, signal in signals.items()}


def test_mains_and_pipes_are_left_to_those_who_may() -> None:
    """Claim: the pages on plugs, drains and pipes name local codes and licensed people."""
    room = (drawings.FOLDER / "room.md").read_text(encoding="utf-8")
    assert "local electrical and water codes" in room
    assert "licensed" in room
    for clause in ("IEC 60364-7-701", "IEC 60364-7-702", "EN 1717", "ASME A112.1.2"):
        assert clause in room
    assert "licensed electrician" in (drawings.FOLDER / "plugs.md").read_text(encoding="utf-8")


def test_the_worked_numbers_on_the_pages_are_right() -> None:
    """Claim: the pages' numbers are those that their formulas give: divider, loop resistor, step of
    a converter, velocity in the bore, Joukowsky's rise ρ·c·v, the way there and back 2·L/c, and
    ρ·L·v/t for a valve that closes slowly.
    """
    level, flow, room = (
        " ".join((drawings.FOLDER / f"{name}.md").read_text(encoding="utf-8").split())
        for name in ("level", "flow", "room")
    )
    bore_m, flow_m3_s, wave_m_s, pipe_m, density, pa_per_bar = (
        0.013,
        10e-3 / 60,
        1300,
        10,
        1000,
        1e5,
    )
    speed = flow_m3_s / (math.pi * bore_m**2 / 4)
    assert f"10 kΩ and 15 kΩ make {5.0 * 15 / (10 + 15):.1f} V of 5.0 V" in flow
    assert f"125 Ω, 0.1 %, makes {0.004 * 125:.1f} to {0.020 * 125:.1f} V" in level
    assert f"is {1000 * 3.3 / 4096 / 2.0:.1f} mm, of the 10" in level
    assert f"3004 and 3008 {1000 * 3.3 / 1024 / 2.0:.1f} mm" in level
    assert f"bore of {1000 * bore_m:.0f} mm is {speed:.2f} m/s" in room
    assert f"{density * wave_m_s * speed / pa_per_bar:.0f} bar on top" in room
    assert f"10 m of pipe: {1000 * 2 * pipe_m / wave_m_s:.0f} ms" in room
    assert f"one whole second it is {density * pipe_m * speed / 1.0 / pa_per_bar:.2f} bar" in room
    assert f"A hose of 13 mm bore: {2 * 1000 * bore_m:.0f} mm" in room
