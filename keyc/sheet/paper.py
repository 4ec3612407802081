"""Text in SVG of a known width: how wide it comes out, folded and cut to a room.

Lengths are in the unit of the drawing; a size is a font's size in it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

# Arial's metrics first, which most systems have a font of; the others are no wider by much.
FONTS = '"Liberation Sans", Arial, Helvetica, "Nimbus Sans", system-ui, sans-serif'

# Widths of Helvetica's characters 32 to 126 in thousandths of the size (Adobe Font Metrics, Core 14
# fonts). Arial and Liberation Sans have the same.
_WIDTHS = (
    *(278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278),
    *(556,) * 10,
    *(278, 278, 584, 584, 584, 556, 1015),
    *(667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833),
    *(722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611),
    *(278, 278, 278, 469, 556, 333),
    *(556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833),
    *(556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500),
    *(334, 260, 334, 584),
)
_BOLD = 1.08  # how much wider bold letters are, at most a little less than this
_CUT = "…"
_LEADING = 1.08  # from one line to the next, in sizes


@dataclass(frozen=True, slots=True)
class Ink:
    """How a text looks."""

    fill: str
    bold: bool = False
    italic: bool = False


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text comes out."""
    thousandths = 0
    for character in text:
        code = ord(character)
        if 32 <= code < 127:
            thousandths += _WIDTHS[code - 32]
        elif not unicodedata.combining(character):
            thousandths += 1000 if unicodedata.east_asian_width(character) in "WF" else 720
    return thousandths / 1000 * size * (_BOLD if bold else 1.0)


def text_svg(x: float, y: float, text: str, size: float, ink: Ink, *, is_end: bool = False) -> str:
    """A line of text whose baseline starts at (x, y), or ends there."""
    more = ' text-anchor="end"' if is_end else ""
    more += ' font-weight="700"' if ink.bold else ""
    more += ' font-style="italic"' if ink.italic else ""
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" fill="{ink.fill}"{more}>{escape(text)}</text>'
    )


def folded(
    text: str, room: float, height: float, sizes: Sequence[float], *, bold: bool = False
) -> tuple[float, list[str]]:
    """The largest of `sizes` (in falling order, one at least) at which a text's lines fit into `room` by
    `height`, and those lines; at the smallest what doesn't fit is cut."""
    size, most, found = 0.0, 1, [text]
    for size in sizes:
        most = max(1, int(height / (_LEADING * size)))
        found = _lines(text, room, size, bold=bold)
        if len(found) <= most and all(width_of(line, size, bold=bold) <= room for line in found):
            break
    if len(found) > most:
        found = [*found[: most - 1], "".join(found[most - 1 :])]
    return size, [cut(line, room, size, bold=bold) for line in found]


def _lines(text: str, room: float, size: float, *, bold: bool) -> list[str]:
    """Folded where a word ends: before a capital or a number, after a hyphen, a sign, a blank."""
    found = [""]
    for piece in re.split(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[a-z]{2})(?=[0-9])|(?<=[-+/(),])|(?<= )", text):
        if found[-1] and width_of((found[-1] + piece).rstrip(), size, bold=bold) > room:
            found.append("")
        found[-1] += piece
    return [line.rstrip() for line in found]


def leading(size: float) -> float:
    """The distance from one line to the next."""
    return _LEADING * size


def cut(text: str, room: float, size: float, *, bold: bool = False) -> str:
    """The text, or as much of its beginning as there is room for and an ellipsis."""
    if width_of(text, size, bold=bold) <= room:
        return text
    while text and width_of(text + _CUT, size, bold=bold) > room:
        text = text[:-1]
    return text + _CUT


def is_cut(text: str) -> bool:
    return text.endswith(_CUT)


def wrapped(text: str, room: float, size: float) -> list[str]:
    """A text of words on lines of that width."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
