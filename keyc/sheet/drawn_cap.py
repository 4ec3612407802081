"""One cap as SVG, and the sheet's colours. Lengths are in millimetres on paper."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from keyc.sheet.caps import Placed
from keyc.sheet.paper import Ink, text_svg, width_of

INK, QUIET, RULE, PAPER = "#1a1a1a", "#666666", "#b4b4b0", "#ffffff"
# Okabe and Ito's colours, and pale tints of them that ink stays legible on.
BLUE, VERMILLION, GREEN = "#0072B2", "#D55E00", "#009E73"
SKY_TINT, ORANGE_TINT, PURPLE_TINT, NOTHING_TINT = "#e4f2fb", "#fdf1d9", "#f3d9e7", "#f1f1ee"
WRITTEN = Ink(INK)
ASIDE = Ink(QUIET)


class DrawnCap:
    """One cap as SVG, drawn about its centre."""

    def __init__(self, placed: Placed, unit: float) -> None:
        gap = 0.05 * unit
        self._placed = placed
        self._parts: list[str] = []
        self.unit = unit
        self.switch = placed.cap.switch
        width, height = placed.cap.width_u * unit - gap, placed.cap.height_u * unit - gap
        pad = 0.08 * unit
        self.edges = (-width / 2, -height / 2, width / 2, height / 2)
        # Where text may stand; it keeps to the upper unit of a tall cap, as on real ones.
        self.left, self.right = pad - width / 2, width / 2 - pad
        self.room = self.right - self.left
        self.top = pad - height / 2
        self.strip = min(0.22 * unit, height / 3)
        self.floor = min(height, 0.95 * unit) - height / 2
        self.small = min(0.14 * unit, 2.3)  # the size of what is only looked up
        self.in_full: tuple[str, ...] = ()

    @property
    def svg(self) -> str:
        x, y = self._placed.x_u * self.unit, self._placed.y_u * self.unit
        turn = f" rotate({self._placed.turn_deg:g})" if self._placed.turn_deg else ""
        name = escape(self.switch, quote=True)
        body = "".join(self._parts)
        return f'<g class="cap" data-switch="{name}" transform="translate({x:.2f} {y:.2f}){turn}">{body}</g>'

    def draw(self, part: str) -> None:
        self._parts.append(part)

    def outline(self, fill: str, edge: str = INK, weight: float = 0.25) -> None:
        left, top, right, bottom = self.edges
        self.draw(
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}" '
            f'rx="{0.07 * self.unit:.2f}" fill="{fill}" stroke="{edge}" stroke-width="{weight}"/>'
        )

    def write(self, x: float, y: float, text: str, size: float, ink: Ink, *, is_end: bool = False) -> None:
        self.draw(text_svg(x, y, text, size, ink, is_end=is_end))

    def mark(self, numbers: Sequence[int], ink: Ink, *, leaves_corner: bool) -> None:
        """A plate with chords' numbers on the upper edge, at its right or left of what stands there."""
        text = ",".join(map(str, numbers))
        size = 1.15 * self.small
        wide = width_of(text, size, bold=True) + 0.7 * size
        right = self.left + 0.6 * self.unit if leaves_corner else self.right
        top = self.edges[1] - 0.15 * size
        self.draw(
            f'<rect x="{right - wide:.2f}" y="{top:.2f}" width="{wide:.2f}" height="{1.2 * size:.2f}" '
            f'rx="{0.3 * size:.2f}" fill="{ink.fill}"/>'
        )
        paper = Ink(PAPER, bold=True)
        self.write(right - 0.35 * size, top + 0.96 * size, text, size, paper, is_end=True)

    def tell_in_full(self, text: str) -> None:
        """What had to be cut on the cap stands below the figure."""
        self.in_full += (text,)
