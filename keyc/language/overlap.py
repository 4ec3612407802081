"""Two caps that lie on each other, drawn in characters.

Loaded only when a file has such a mistake.
"""

from __future__ import annotations

from itertools import product
from math import cos, radians, sin

from keyc.keyboard import Cap
from keyc.language.mistakes import cut
from keyc.sheet.caps import bounds

_FIRST, _SECOND, _BOTH, _NEITHER = ".", ":", "#", " "
_MOST_COLUMNS, _MOST_ROWS = 60, 12
_WITHIN = tuple((part + 0.5) / 12 for part in range(12))  # of a character, where its middle doesn't tell


def overlap_drawn(first: Cap, second: Cap) -> str:
    """The caps from above, each filled with a sign of its own, `#` where both would lie; names in them."""
    left, top, right, bottom = bounds((first, second))
    across, down = right - left, bottom - top
    # A character is about twice as high as wide.
    per_u = min(10.0, _MOST_COLUMNS / across, 2 * _MOST_ROWS / down)
    columns, rows = max(1, round(across * per_u)), max(1, round(down * per_u / 2))

    def sign(column: float, row: float) -> str:
        x_u, y_u = left + column * across / columns, top + row * down / rows
        return _SIGNS[_holds(first, x_u, y_u), _holds(second, x_u, y_u)]

    picture = [[sign(column + 0.5, row + 0.5) for column in range(columns)] for row in range(rows)]
    if not any(_BOTH in line for line in picture):  # they lie on each other by less than a character
        for row, column in product(range(rows), range(columns)):
            inside = product(_WITHIN, _WITHIN)
            if any(sign(column + across_by, row + down_by) == _BOTH for across_by, down_by in inside):
                picture[row][column] = _BOTH
    _write_name(picture, _FIRST, first.switch)
    _write_name(picture, _SECOND, second.switch)
    lines = ["  " + "".join(row).rstrip() for row in picture]
    return "\n".join((*lines, f"  {_BOTH} is where both would lie"))


_SIGNS = {
    (False, False): _NEITHER,
    (True, False): _FIRST,
    (False, True): _SECOND,
    (True, True): _BOTH,
}


def _holds(cap: Cap, x_u: float, y_u: float) -> bool:
    """Whether a point lies on a cap."""
    dx, dy = x_u - cap.x_u, y_u - cap.y_u
    c, s = cos(radians(cap.rotation_deg)), sin(radians(cap.rotation_deg))
    return abs(dx * c + dy * s) <= cap.width_u / 2 and abs(dy * c - dx * s) <= cap.height_u / 2


def _write_name(picture: list[list[str]], sign: str, name: str) -> None:
    """Puts a name into the middle of the widest run of a cap's own sign, if it has one for it."""
    name = cut(name, 16)
    runs = [
        (length, -row, column)
        for row, line in enumerate(picture)
        for column, length in _runs("".join(line), sign)
        if length >= len(name)
    ]
    if runs:
        length, row, column = max(runs)
        start = column + (length - len(name)) // 2
        picture[-row][start : start + len(name)] = name


def _runs(line: str, sign: str) -> list[tuple[int, int]]:
    """Where runs of a sign begin, and how long they are."""
    found = []
    start = 0
    while (start := line.find(sign, start)) != -1:
        end = len(line) - len(line[start:].lstrip(sign))
        found.append((start, end - start))
        start = end
    return found
