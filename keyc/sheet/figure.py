"""A drawing on the sheet, and how large it may be.

Lengths are in millimetres on paper unless a name ends in `_u` (key units, 1 u = 19.05 mm). A figure is
never wider or higher than what A4 and Letter, lying, both have room for within margins of 10 mm; no
cap is drawn larger than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

from keyc.sheet.caps import Laid

# What both lying papers hold: A4 is 297 by 210 mm (ISO 216), Letter 279.4 by 215.9 (ANSI/ASME Y14.1).
PAPER_WIDTH, PAPER_HEIGHT = 279.4 - 2 * 10, 210.0 - 2 * 10
_HEADING = 14.0  # a figure's heading, and the room below it
_FIRST_PAGE = PAPER_HEIGHT - 26.0  # what the title leaves
LARGEST_U = 19.05
_LARGEST_HEIGHT = _FIRST_PAGE - _HEADING


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with its heading. `body` is SVG in millimetres from the top left, without heading."""

    heading: str
    remark: str
    width: float
    height: float
    body: str
    in_full: tuple[str, ...] = ()  # what had to be cut in the drawing


def unit_of(laid: Laid) -> float:
    """Millimetres on paper to one key unit: as large as the paper allows and caps are, or a little smaller
    where that gets one more figure onto each page."""
    largest = min(LARGEST_U, PAPER_WIDTH / laid.width_u, _LARGEST_HEIGHT / laid.height_u)
    to_a_page = int(_FIRST_PAGE / (largest * laid.height_u + _HEADING))
    smaller = (_FIRST_PAGE / (to_a_page + 1) - _HEADING) / laid.height_u
    return smaller if smaller >= 0.85 * largest else largest
