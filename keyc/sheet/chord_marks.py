"""Which caps of a layer's picture bear which chords' numbers, and where caps of one chord lie side by side.

A chord counts where the topmost cells of all its members come from its layer: on layers above that let all of
them through it does, too. Chords are numbered in the file's order, as in the table of chords.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import cos, radians, sin
from typing import NamedTuple

from keyc.keyboard import Keyboard
from keyc.sheet.caps import Placed
from keyc.sheet.legends import Legend

_SIDE_BY_SIDE_U = 0.12  # from one cap's edge to the next one's
_LEVEL_U = 0.05


class Mark(NamedTuple):
    """A chord that can be played on a layer. `is_through`: it is a layer's beneath."""

    number: int
    members: tuple[str, ...]
    is_through: bool


def marks_on(keyboard: Keyboard, layer: str, on_caps: Mapping[str, Legend]) -> tuple[Mark, ...]:
    """The chords that can be played on a layer, as it is reached in its picture."""
    return tuple(
        Mark(number, chord.members, chord.layer != layer)
        for number, chord in enumerate(keyboard.chords, start=1)
        if all(
            on_caps[switch].layer == chord.layer and not on_caps[switch].is_held for switch in chord.members
        )
    )


def left_of_another(caps: Sequence[Placed]) -> list[Placed]:
    """Those of these caps that have another one of them right beside them in their line."""
    return [one for one in caps if any(_is_beside(one, other) for other in caps)]


def _is_beside(one: Placed, other: Placed) -> bool:
    if abs(one.turn_deg - other.turn_deg) > 0.5:
        return False
    turn = radians(one.turn_deg)
    x, y = other.x_u - one.x_u, other.y_u - one.y_u
    along, across = x * cos(turn) + y * sin(turn), y * cos(turn) - x * sin(turn)
    between = along - (one.cap.width_u + other.cap.width_u) / 2
    tops = across - (other.cap.height_u - one.cap.height_u) / 2
    return along > 0 and between < _SIDE_BY_SIDE_U and abs(tops) < _LEVEL_U
