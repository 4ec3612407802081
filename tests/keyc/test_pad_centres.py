"""Centres of switches of which only the pads are known, against the places that they were put at.

Where the pads of usual footprints lie around the centre is common practice. `own` is a footprint that nobody
has: there only the neighbours tell.
"""

from __future__ import annotations

import random
from math import cos, hypot, radians, sin

import pytest

from keyc.netlist.pad_centres import Centre, Pads, centred_pads

PITCH = 19.05
FOOTPRINTS: dict[str, Pads] = {
    "tall": (((-3.81, 2.54),), ((2.54, 5.08),)),
    "socket": (((-7.09, 2.54),), ((5.84, 5.08),)),
    "both sides": (((-3.81, 2.54), (3.81, 2.54)), ((-2.54, 5.08), (2.54, 5.08))),
    "flat": (((0.0, 5.9),), ((5.0, 3.8),)),
    "own": (((-2.0, -4.4),), ((5.2, -1.3),)),
}
Spot = tuple[float, float, float]  # mm, y upwards; degrees, counter-clockwise


def put(pads: Pads, spot: Spot) -> Pads:
    x, y, turn = spot
    c, s = cos(radians(turn)), sin(radians(turn))
    return tuple(tuple((x + u * c - v * s, y + u * s + v * c) for u, v in places) for places in pads)


def grid(turns: list[float]) -> list[Spot]:
    """Four rows of six, each switch turned by one of these."""
    chosen = random.Random(7)
    return [(PITCH * x, -PITCH * y, chosen.choice(turns)) for y in range(4) for x in range(6)]


THUMBS: list[Spot] = [(40.0, -95.0, -10.0), (60.0, -99.0, -20.0), (78.0, -108.0, -30.0)]


def off_mm(pads: Pads, spots: list[Spot]) -> list[float]:
    """How far each centre is off, beside the first one's: where the origin is doesn't matter."""
    found = centred_pads([put(pads, spot) for spot in spots])
    (x, y), (u, v) = (found[0].x_mm, found[0].y_mm), spots[0][:2]
    return [
        hypot(one.x_mm - x - spot[0] + u, one.y_mm - y - spot[1] + v)
        for one, spot in zip(found, spots, strict=True)
    ]


@pytest.mark.parametrize("footprint", FOOTPRINTS)
@pytest.mark.parametrize("turns", [[0.0], [0.0, 0.0, 180.0], [0.0, 180.0], [0.0, 0.0, 90.0], [90.0, 270.0]])
def test_switches_turned_in_their_rows(footprint: str, turns: list[float]) -> None:
    assert max(off_mm(FOOTPRINTS[footprint], grid(turns))) < 0.05 * PITCH


@pytest.mark.parametrize("footprint", FOOTPRINTS)
def test_a_cluster_in_the_directions_of_a_fan(footprint: str) -> None:
    """With half-turned switches beside upright ones any footprint is told; a usual one is told without."""
    turns = [0.0, 180.0] if footprint == "own" else [0.0]
    assert max(off_mm(FOOTPRINTS[footprint], grid(turns) + THUMBS)) < 0.05 * PITCH


@pytest.mark.parametrize("footprint", ["tall", "socket", "flat"])
@pytest.mark.parametrize("turn", [8.0, -12.5, 25.0])
def test_halves_that_are_askew(footprint: str, turn: float) -> None:
    """Each half turned as a whole, the right one the other way round."""
    half = grid([0.0, 0.0, 180.0])
    c, s = cos(radians(turn)), sin(radians(turn))
    spots = [(x * c - y * s - 130.0, x * s + y * c, own + turn) for x, y, own in half]
    spots += [(x * c + y * s + 130.0, -x * s + y * c, own - turn) for x, y, own in half]
    assert max(off_mm(FOOTPRINTS[footprint], spots)) < 0.05 * PITCH


@pytest.mark.parametrize("footprint", ["tall", "flat"])
def test_pads_in_a_mirror_or_with_their_numbers_changed_over(footprint: str) -> None:
    pads = FOOTPRINTS[footprint]
    mirrored = tuple(tuple((-x, y) for x, y in places) for places in pads)
    for other in (mirrored, pads[::-1]):
        assert max(off_mm(other, grid([0.0, 0.0, 180.0]) + THUMBS)) < 0.05 * PITCH


def test_what_cannot_be_told_is_said_to_be_about() -> None:
    spots = grid([0.0]) + THUMBS
    found = centred_pads([put(FOOTPRINTS["own"], spot) for spot in spots])
    assert [one.is_about for one in found] == [False] * 24 + [True] * 3
    assert all(one.is_shifted for one in found[:24])


def test_pads_that_look_the_same_after_half_a_turn_are_around_the_centre() -> None:
    square: Pads = (((-3.2, -2.2), (3.2, -2.2)), ((-3.2, 2.2), (3.2, 2.2)))
    spots = grid([0.0, 180.0, 37.0])
    for one, spot in zip(centred_pads([put(square, spot) for spot in spots]), spots, strict=True):
        assert one == Centre(one.x_mm, one.y_mm)
        assert (one.x_mm, one.y_mm) == pytest.approx(spot[:2])
