"""Where the caps of a `shape` lie, and which of them are in one another's way.

Lengths in key units, x to the right, y downwards, angles clockwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, cos, floor, radians, sin

from keyc.keyboard import Cap
from keyc.source import Span

# Caps that overlap by less than a thousandth of a unit (19 µm) touch.
_TOUCH_U = 0.001


@dataclass(frozen=True, slots=True)
class Corner:
    """Where a line of caps begins: its top left corner, and its turn about that corner."""

    x_u: float
    y_u: float
    turn_deg: float = 0.0

    def centre(self, x_u: float, y_u: float) -> tuple[float, float]:
        """A point of the line's own, unturned frame, in the keyboard's."""
        if not self.turn_deg:
            return round(self.x_u + x_u, 6), round(self.y_u + y_u, 6)
        angle = radians(self.turn_deg)
        # Clockwise, since y points downwards.
        return (
            round(self.x_u + x_u * cos(angle) - y_u * sin(angle), 6),
            round(self.y_u + x_u * sin(angle) + y_u * cos(angle), 6),
        )


def cap_at(switch: str, corner: Corner, x_u: float, size_u: tuple[float, float], line: int, span: Span) -> Cap:
    """The cap whose left edge is `x_u` from its line's corner; a tall one hangs down from the line."""
    width, height = size_u
    x, y = corner.centre(x_u + width / 2, height / 2)
    return Cap(switch, x, y, width, height, corner.turn_deg, line, span)


def overlaps(caps: Sequence[Cap]) -> list[tuple[Cap, Cap]]:
    """The pairs of caps that cover the same place, in the order of the later one."""
    cells: dict[tuple[int, int], list[int]] = {}
    found: set[tuple[int, int]] = set()
    for index, cap in enumerate(caps):
        half_x, half_y = _half_extent(cap)
        left, right = floor(cap.x_u - half_x + _TOUCH_U), ceil(cap.x_u + half_x - _TOUCH_U)
        top, bottom = floor(cap.y_u - half_y + _TOUCH_U), ceil(cap.y_u + half_y - _TOUCH_U)
        for cell in ((x, y) for x in range(left, right) for y in range(top, bottom)):
            there = cells.setdefault(cell, [])
            for other in there:
                if (index, other) not in found and _overlap(caps[other], cap):
                    found.add((index, other))
            there.append(index)
    return [(caps[other], caps[index]) for index, other in sorted(found)]


def _half_extent(cap: Cap) -> tuple[float, float]:
    """Half the width and height of the upright rectangle around a cap."""
    if not cap.rotation_deg:
        return cap.width_u / 2, cap.height_u / 2
    c, s = abs(cos(radians(cap.rotation_deg))), abs(sin(radians(cap.rotation_deg)))
    return (cap.width_u * c + cap.height_u * s) / 2, (cap.width_u * s + cap.height_u * c) / 2


def _overlap(one: Cap, other: Cap) -> bool:
    """Whether no edge of either rectangle separates them (separating axis theorem)."""
    dx, dy = other.x_u - one.x_u, other.y_u - one.y_u
    for turn in {one.rotation_deg, other.rotation_deg}:
        for axis in (radians(turn), radians(turn + 90)):
            ax, ay = cos(axis), sin(axis)
            reach = _reach(one, ax, ay) + _reach(other, ax, ay)
            if abs(dx * ax + dy * ay) >= reach - _TOUCH_U:
                return False
    return True


def _reach(cap: Cap, ax: float, ay: float) -> float:
    """How far a cap reaches from its centre along an axis."""
    c, s = cos(radians(cap.rotation_deg)), sin(radians(cap.rotation_deg))
    return cap.width_u / 2 * abs(c * ax + s * ay) + cap.height_u / 2 * abs(-s * ax + c * ay)
