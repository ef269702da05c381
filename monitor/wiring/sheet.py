"""A sheet of plain lines, boxes and words, kept as SVG. Lengths are pixels at 100 %."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final, Literal

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]

CHAR_W: Final = 7.2  # a generous mean for the 13 px letters, since fonts differ
INK: Final = "#222"
STYLE: Final = (
    "text{font:13px sans-serif;fill:#222}.b{font-weight:bold}.h{font-size:17px;font-weight:bold}"
    ".q{fill:#555}.f{fill:#fafaf8;stroke:#444}.p{fill:#fff;stroke:#bbb}.l{fill:none;stroke:#222;"
    "stroke-width:1.5}.d{fill:none;stroke:#777;stroke-dasharray:5 4}.w{fill:none;"
    "stroke-linejoin:round}.s{fill:#222}.z{fill:#dcebf5;stroke:none}"
)
# How the wires' colours look; their names are told beside them all the same.
LOOKS: Final = {
    "black": "#111", "brown": "#7b4a21", "red": "#d1242f", "orange": "#f28c1e",
    "yellow": "#f2d21b", "green": "#2a9d48", "blue": "#2563c9", "violet": "#8a3fc0",
    "grey": "#8c8c8c", "white": "#ffffff", "pink": "#f29bc0", "turquoise": "#2bbdb4",
}  # fmt: skip


class Sheet:
    """Collects the lines of one drawing."""

    def __init__(self, width: float, height: float, title: str) -> None:
        """Begin an empty sheet; `title` is also what a screen reader says."""
        self.width, self.height, self.title = width, height, title
        self._lines: list[str] = []

    def text(self, at: Point, words: str, style: str = "", anchor: Anchor = "start") -> None:
        """Write one line of words whose baseline begins, has its middle or ends at a point."""
        where = f'x="{at[0]:.1f}" y="{at[1]:.1f}"'
        side = "" if anchor == "start" else f' text-anchor="{anchor}"'
        kind = f' class="{style}"' if style else ""
        self._lines.append(f"<text{kind} {where}{side}>{escape(words)}</text>")

    def box(self, at: Point, size: Point, style: str = "f", round_by: float = 4) -> None:
        """Draw a rectangle from its upper left corner."""
        self._lines.append(
            f'<rect class="{style}" x="{at[0]:.1f}" y="{at[1]:.1f}" width="{size[0]:.1f}" '
            f'height="{size[1]:.1f}" rx="{round_by:g}"/>'
        )

    def line(self, points: Sequence[Point], style: str = "l") -> None:
        """Draw a line through points; style "s" fills what it encloses."""
        self._lines.append(f'<path class="{style}" d="{_path(points)}"/>')

    def dot(self, at: Point, radius: float = 3) -> None:
        """Draw a filled circle: a joint, or a terminal."""
        self._lines.append(f'<circle class="s" cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:g}"/>')

    def wire(self, points: Sequence[Point], colour: str) -> None:
        """Draw a wire in its colour; one of two colours is striped, and each has a dark rim."""
        base, _, stripe = colour.partition("-")
        path = _path(points)
        layers = [(INK, 5.5, ""), (LOOKS[base], 3.5, "")]
        if stripe:
            layers.append((LOOKS[stripe], 3.5, ' stroke-dasharray="8 8"'))
        for look, width, dashes in layers:
            self._lines.append(
                f'<path class="w" d="{path}" stroke="{look}" stroke-width="{width}"{dashes}/>'
            )

    def svg(self) -> str:
        """Return the drawing."""
        size = f"{self.width:.0f} {self.height:.0f}"
        shown = f'width="{self.width:.0f}" height="{self.height:.0f}"'
        said = f'role="img" aria-label="{escape(self.title, quote=True)}"'
        head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" {shown} {said}>'
        paper = '<rect width="100%" height="100%" fill="#fff"/>'
        return "\n".join([head, f"<style>{STYLE}</style>", paper, *self._lines, "</svg>", ""])


def _path(points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
