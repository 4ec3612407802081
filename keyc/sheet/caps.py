"""The caps as one picture: where each one's centre comes, from the front or from the solder side.

Lengths in key units (1 u = 19.05 mm) from the picture's top left, y downwards, angles clockwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import cos, radians, sin
from typing import Literal, NamedTuple

from keyc.keyboard import Cap

Side = Literal["front", "back"]


class Placed(NamedTuple):
    """A cap at its place in the picture: its centre, and how it's turned there."""

    cap: Cap
    x_u: float
    y_u: float
    turn_deg: float


class Laid(NamedTuple):
    """All caps, and the size of the upright rectangle that just holds them."""

    width_u: float
    height_u: float
    caps: tuple[Placed, ...]


def corners(cap: Cap) -> tuple[tuple[float, float], ...]:
    """A cap's corners in the keyboard's own coordinates: clockwise, from its top left one."""
    turn = radians(cap.rotation_deg)
    half_width, half_height = cap.width_u / 2, cap.height_u / 2
    return tuple(
        (cap.x_u + x * cos(turn) - y * sin(turn), cap.y_u + x * sin(turn) + y * cos(turn))
        for x, y in (
            (-half_width, -half_height),
            (half_width, -half_height),
            (half_width, half_height),
            (-half_width, half_height),
        )
    )


def bounds(caps: Iterable[Cap]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of all caps; ValueError without any."""
    points = [corner for cap in caps for corner in corners(cap)]
    across, down = [x for x, _ in points], [y for _, y in points]
    return min(across), min(down), max(across), max(down)


def laid_out(caps: Sequence[Cap], side: Side = "front") -> Laid:
    """The caps as seen from a side; from the solder side left and right are exchanged."""
    if not caps:
        return Laid(0.0, 0.0, ())
    left, top, right, bottom = bounds(caps)
    mirrored = side == "back"
    return Laid(
        right - left,
        bottom - top,
        tuple(
            Placed(
                cap,
                right - cap.x_u if mirrored else cap.x_u - left,
                cap.y_u - top,
                -cap.rotation_deg if mirrored and cap.rotation_deg else cap.rotation_deg,
            )
            for cap in caps
        ),
    )
