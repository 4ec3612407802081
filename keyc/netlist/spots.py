"""Where a board's switches lie and how they are turned: from pads and holes, in mm.

The netlist has a pad's place, not its part's: a switch's centre is the large bare hole between its pads.
Where a file has none, `pad_centres.py` finds it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, degrees, hypot
from statistics import median

from keyc.netlist.circuit import Circuit, centroid_mm
from keyc.netlist.nearby import Nearby
from keyc.netlist.pad_centres import centred_pads
from keyc.netlist.part_kinds import is_dial
from keyc.netlist.wired_board import Contact

_HOLE_WITHIN_MM = 9.0  # from the middle of a switch's pads to its centre hole
_NEIGHBOUR_MM = 30.0
SAME_ANGLE_DEG = 0.4


@dataclass(frozen=True, slots=True)
class Spot:
    """A key's centre on the board in mm (y downwards) and its turn in degrees, clockwise.

    `is_about`: its pads alone don't tell where the centre is, to a twentieth of a key unit.
    """

    name: str
    x_mm: float
    y_mm: float
    turn_deg: float
    is_about: bool = False


def spots_of(circuit: Circuit, contacts: Sequence[Contact]) -> list[Spot]:
    """Each switch's centre and turn, in their order.

    The turn shows in where the pads lie around the centre, or to one another, compared with the other
    switches of the same footprint.
    """
    holes = Nearby(((hole.x_mm, hole.y_mm) for hole in circuit.holes), _HOLE_WITHIN_MM)
    footprints = [_footprint(circuit, contact, holes) for contact in contacts]
    without_hole = [index for index, footprint in enumerate(footprints) if not footprint.is_centred]
    centres = centred_pads([footprints[index].pads for index in without_hole])
    about, shifted = set(), set()
    for index, centre in zip(without_hole, centres, strict=True):
        footprints[index] = replace(footprints[index], x=centre.x_mm, y=centre.y_mm)
        if centre.is_about:
            about.add(index)
        elif centre.is_shifted:
            shifted.add(index)
    # The few are off beside the many, whichever of them are where they seem to be.
    others = set(range(len(footprints))) - about - shifted
    about |= others if len(shifted) > len(others) else shifted
    return [
        Spot(contact.name, footprint.x, -footprint.y, turn, index in about)
        for index, (contact, footprint, turn) in enumerate(
            zip(contacts, footprints, _turns(footprints), strict=True)
        )
    ]


@dataclass(frozen=True, slots=True)
class _Footprint:
    """A switch's centre in mm (y upwards), and the arms from it to the first and second net's pads.

    Where that isn't known (`is_centred`) the middle of the pads stands for the centre, and the only arm is
    that from the first net's pads to the second's.
    """

    x: float
    y: float
    arms: tuple[tuple[float, float], ...]
    pads: tuple[tuple[tuple[float, float], ...], ...]  # places of the first net's, and of the second's
    is_centred: bool


def _footprint(circuit: Circuit, contact: Contact, holes: Nearby) -> _Footprint:
    pins = sorted(contact.pins)  # records come in any order
    middles = [centroid_mm(contact.part.pads[pin]) for pin in pins]
    places = [pad for pin in pins for pad in contact.part.pads[pin]]
    x, y = centroid_mm(places)
    # Wider pads than a switch has, because the file's unit is wrong, put the hole farther away, too.
    extent = max(hypot(pad.x_mm - x, pad.y_mm - y) for pad in places)
    near = holes.within(x, y, max(_HOLE_WITHIN_MM, 2 * extent))
    pads = tuple(
        tuple(sorted({(pad.x_mm, pad.y_mm) for pad in contact.part.pads[pin]})) for pin in (pins[0], pins[-1])
    )
    if is_dial(contact.part):  # its shaft is between all of its pads
        every = [pad for pads in contact.part.pads.values() for pad in pads]
        x, y = (
            (min(places) + max(places)) / 2
            for places in ([pad.x_mm for pad in every], [pad.y_mm for pad in every])
        )
        return _Footprint(x, y, (), (), is_centred=True)
    if near:
        hole = circuit.holes[near[0][1]]
        x, y = hole.x_mm, hole.y_mm
        arms = tuple((mx - x, my - y) for mx, my in middles[:2])
    else:
        (x0, y0), (x1, y1) = middles[0], middles[-1]
        arms = ((x1 - x0, y1 - y0),)
    return _Footprint(x, y, tuple(arm for arm in arms if hypot(*arm) > 0.5), pads, bool(near))


def _turns(footprints: Sequence[_Footprint]) -> list[float]:
    """Each switch's turn in degrees, clockwise, from -45 to 45: a cap turned by a quarter looks the same."""
    kinds: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for index, footprint in enumerate(footprints):
        kinds[tuple(sorted(round(hypot(*arm), 1) for arm in footprint.arms))].append(index)
    turns = [0.0] * len(footprints)
    for kind, members in kinds.items():
        if kind:
            relative = _relative_turns([footprints[index] for index in members])
            base = _base_turn([footprints[index] for index in members], relative)
            for index, turn in zip(members, relative, strict=True):
                turns[index] = _quarter(turn + base)
    return turns


def _relative_turns(footprints: Sequence[_Footprint]) -> list[float]:
    """Turns beside the commonest one of switches with the same arms; a mirrored footprint isn't turned."""
    angles = [_clockwise(footprint.arms[0]) for footprint in footprints]
    hands = [_hand(footprint) for footprint in footprints]
    if sum(hands) < 0:  # what most of them are isn't mirrored
        hands = [-hand for hand in hands]
    right = [angle for angle, hand in zip(angles, hands, strict=True) if hand >= 0] or angles
    reference = Counter(round(_quarter(angle), 1) for angle in right).most_common(1)[0][0]
    turns = []
    for angle, hand in zip(angles, hands, strict=True):
        turn = _quarter(angle - reference)
        if hand < 0:
            turn = -_quarter(180.0 - angle - reference)
        turns.append(turn)
    return turns


def _hand(footprint: _Footprint) -> int:
    """1 or -1 as the second arm lies to the left or to the right of the first; 0 if that can't be told."""
    if len(footprint.arms) < 2:
        return 0
    (x0, y0), (x1, y1) = footprint.arms
    cross = x0 * y1 - y0 * x1
    return 0 if abs(cross) < 0.5 else 1 if cross > 0 else -1


def _base_turn(footprints: Sequence[_Footprint], relative: Sequence[float]) -> float:
    """The turn of the commonest orientation: the direction in which nearest neighbours of it lie."""
    commonest = Counter(round(turn) for turn in relative).most_common(1)[0][0]
    same = [
        footprint for footprint, turn in zip(footprints, relative, strict=True) if abs(turn - commonest) < 1.0
    ]
    if len(same) < 4:
        return 0.0
    index = Nearby(((one.x, one.y) for one in same), _NEIGHBOUR_MM)
    angles: list[float] = []
    for one in same:
        near = [(away, other) for away, other in index.within(one.x, one.y, _NEIGHBOUR_MM) if away > 5.0]
        if near:
            least = near[0][0]
            angles += [
                _quarter(_clockwise((same[other].x - one.x, same[other].y - one.y)))
                for away, other in near
                if away < least + 0.1
            ]
    if not angles:
        return 0.0
    bins = Counter(round(angle * 2) for angle in angles)
    best, count = bins.most_common(1)[0]
    if count * 2 < len(angles):
        return 0.0
    base = median(angle for angle in angles if abs(angle * 2 - best) <= 1)
    return 0.0 if abs(base) < SAME_ANGLE_DEG else base - commonest


def _clockwise(arm: tuple[float, float]) -> float:
    """An arm's direction in degrees, clockwise as seen from the front (the file's y points upwards)."""
    return degrees(atan2(-arm[1], arm[0]))


def _quarter(angle: float) -> float:
    """An angle within a quarter turn: -45 < angle <= 45."""
    turned = angle % 90.0
    return turned - 90.0 if turned > 45.0 else turned
