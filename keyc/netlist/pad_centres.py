"""Where a switch's centre is if the file has no hole there: some PCB programs leave bare holes out.

The middle of its pads is off the centre, for all switches alike as long as they are turned alike. Beside one
that is turned otherwise it is off by up to twice as much. So the centre is where footprints of that kind have
it, or where it must be for differently turned switches to lie in the same rows and columns.
All lengths in mm, y upwards.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin
from statistics import median

from keyc.netlist.nearby import Nearby

Place = tuple[float, float]
Pads = tuple[tuple[Place, ...], ...]

# The pads of usual footprints around the centre (common practice): of tall switches with pins, with a socket,
# with pins on both sides of the board; of flat ones with pins, with a socket.
_USUAL: tuple[Pads, ...] = (
    (((-3.81, 2.54),), ((2.54, 5.08),)),
    (((-7.09, 2.54),), ((5.84, 5.08),)),
    (((-3.81, 2.54), (3.81, 2.54)), ((-2.54, 5.08), (2.54, 5.08))),
    (((0.0, 5.9),), ((5.0, 3.8),)),
    (((-3.28, 5.95),), ((8.28, 3.75),)),
)
_SAME_MM = 0.2
_ON_STEP_MM = 0.5
_SAME_TURN_DEG = 1.0
_LITTLE_TURNED_DEG = 5.0  # by less the middle of the pads moves beside the centre by less than 0.5 mm
_MUCH_TURNED_DEG = 60.0
_NEIGHBOUR_MM = 30.0
_USUAL_PITCH_MM = 19.05
_FEWEST_WITNESSES = 3
_ENOUGH_WITNESSES = 0.5  # of all


@dataclass(frozen=True, slots=True)
class Centre:
    """A switch's centre; `is_about`: its pads don't tell it to a millimetre.

    `is_shifted`: it is off, but the same way for all switches of its footprint that are turned like most.
    """

    x_mm: float
    y_mm: float
    is_about: bool = False
    is_shifted: bool = False


@dataclass(frozen=True, slots=True)
class _Kind:
    """A footprint's pads seen from their middle; the x axis leads from the first net's to the second's."""

    first: tuple[Place, ...]
    second: tuple[Place, ...]

    def is_like(self, other: _Kind) -> bool:
        return all(
            len(one) == len(two) and all(any(hypot(x - u, y - v) < _SAME_MM for u, v in two) for x, y in one)
            for one, two in ((self.first, other.first), (self.second, other.second))
        )

    @property
    def is_symmetric(self) -> bool:
        """Whether it looks the same after half a turn, so that its middle is its centre."""
        turned = tuple((-x, -y) for x, y in (*self.first, *self.second))
        pads = (*self.first, *self.second)
        return len(pads) > 2 and all(any(hypot(x - u, y - v) < _SAME_MM for u, v in pads) for x, y in turned)


@dataclass(frozen=True, slots=True)
class _Placed:
    """A switch's pads: their middle, the way from the first net's to the second's (counter-clockwise)."""

    x: float
    y: float
    angle_deg: float
    kind: _Kind


def centred_pads(switches: Sequence[Pads]) -> list[Centre]:
    """The centre of each switch, of which the pads of both its nets are given."""
    placed = [_placed(pads) for pads in switches]
    centres = [Centre(one.x, one.y) for one in placed]
    left = list(range(len(placed)))
    while left:
        alike: list[int] = []
        others: list[int] = []
        for index in left:
            (alike if placed[index].kind.is_like(placed[left[0]].kind) else others).append(index)
        left = others
        for index, centre in zip(alike, _centres_of_kind([placed[i] for i in alike]), strict=True):
            centres[index] = centre
    return centres


def _placed(pads: Pads) -> _Placed:
    every = {place for places in pads for place in places}
    x, y = _middle(tuple(every))
    (x0, y0), (x1, y1) = _middle(pads[0]), _middle(pads[-1])
    angle = degrees(atan2(y1 - y0, x1 - x0)) if hypot(x1 - x0, y1 - y0) > _SAME_MM else 0.0
    first, second = (
        tuple(_turned((u - x, v - y), -angle) for u, v in places) for places in (pads[0], pads[-1])
    )
    return _Placed(x, y, angle, _Kind(first, second))


def _middle(places: Sequence[Place]) -> Place:
    return sum(x for x, _ in places) / len(places), sum(y for _, y in places) / len(places)


def _turned(place: Place, angle_deg: float) -> Place:
    """Counter-clockwise about the origin."""
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    return place[0] * c - place[1] * s, place[0] * s + place[1] * c


def _centres_of_kind(alike: Sequence[_Placed]) -> list[Centre]:
    """The centres of switches of one footprint: the same way from the middle of each one's pads."""
    if alike[0].kind.is_symmetric:
        return [Centre(one.x, one.y) for one in alike]
    commonest = _commonest_angle(alike)
    away = [abs(_half_turn(one.angle_deg - commonest)) for one in alike]
    lattice = _lattice(alike)
    known = _usual_offsets(alike[0].kind, commonest - lattice.along.get(round(commonest) % 90, 0.0))
    offset, is_told = _offset(alike, known, lattice)
    centres = []
    for one, by in zip(alike, away, strict=True):
        dx, dy = _turned(offset, one.angle_deg)
        is_about = not is_told and by > _LITTLE_TURNED_DEG
        centres.append(Centre(one.x + dx, one.y + dy, is_about, is_shifted=not is_told and not is_about))
    return centres


def _commonest_angle(alike: Sequence[_Placed]) -> float:
    whole = Counter(round(one.angle_deg) for one in alike).most_common(1)[0][0]
    return median(one.angle_deg for one in alike if abs(one.angle_deg - whole) <= _SAME_TURN_DEG)


def _half_turn(angle_deg: float) -> float:
    """An angle from -180 to 180."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def _usual_offsets(kind: _Kind, in_rows_deg: float) -> list[Place]:
    """Where usual footprints with such pads have their centre, the likeliest first.

    Two pads look the same in a mirror, and with their numbers changed over. Most switches of a board lie
    along their rows or by quarters of a turn from that, which the mirror image of their pads would not:
    `in_rows_deg` is how most of them lie there.
    """
    found: list[tuple[float, Place]] = []
    for usual in _USUAL:
        for is_mirrored in (False, True):
            mirrored = tuple(tuple((-x if is_mirrored else x, y) for x, y in places) for places in usual)
            for pads in (mirrored, mirrored[::-1]):
                placed = _placed(pads)
                if placed.kind.is_like(kind):
                    askew = (in_rows_deg - placed.angle_deg + 45.0) % 90.0 - 45.0
                    offset = _turned((-placed.x, -placed.y), -placed.angle_deg)
                    found.append((round(abs(askew)), offset))
    return [offset for _, offset in sorted(found, key=lambda one: one[0])]


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two neighbours of which one is turned by much: the way from middle to middle in a frame that lies along
    their rows, and their own directions in it."""

    way: Place
    one_deg: float
    other_deg: float


def _offset(alike: Sequence[_Placed], known: Sequence[Place], lattice: _Lattice) -> tuple[Place, bool]:
    """The way from the pads' middle to the centre of switches of one footprint; whether it's told.

    The witnesses are neighbours that are turned by much beside one another: whole steps must lie between
    their centres, across or down.
    """
    pairs = list(_pairs(alike, lattice))
    if len(pairs) < _FEWEST_WITNESSES:
        return (known[0], True) if known else ((0.0, 0.0), False)
    inferred = _inferred(pairs, lattice.pitch)
    for offsets in (known, [inferred] if inferred else []):
        fitting = [
            sum(_fits(pair, offset, lattice.pitch) for pair in pairs) / len(pairs) for offset in offsets
        ]
        best = max(fitting, default=0.0)
        if best >= _ENOUGH_WITNESSES:
            return next(one for one, fit in zip(offsets, fitting, strict=True) if fit > best - 0.1), True
    return known[0] if known else (0.0, 0.0), False


@dataclass(frozen=True, slots=True)
class _Lattice:
    """How far apart neighbours are that are turned alike, across and down; the direction of their rows for
    each turn within a quarter (whole degrees); whether rows are straight, and columns: staggered ones aren't.
    """

    pitch: Place
    along: Mapping[int, float]
    is_straight: tuple[bool, bool]

    def is_in_line(self, way: Place) -> bool:
        """Whether two switches lie in one straight row or column: pads are off by a quarter of a step."""
        (x, y), (across, down) = way, self.pitch
        rows, columns = self.is_straight
        return (rows and abs(y) < down / 2) or (columns and abs(x) < across / 2)


def _lattice(alike: Sequence[_Placed]) -> _Lattice:
    near = Nearby(((one.x, one.y) for one in alike), _NEIGHBOUR_MM)
    ways: dict[int, list[Place]] = defaultdict(list)
    directions: dict[int, Counter[float]] = defaultdict(Counter)
    for one in alike:
        same = [
            (away, alike[at])
            for away, at in near.within(one.x, one.y, _NEIGHBOUR_MM)
            if away > 5.0 and abs(_half_turn(alike[at].angle_deg - one.angle_deg)) <= _SAME_TURN_DEG
        ]
        for away, other in same:
            ways[_within_quarter(one)].append((other.x - one.x, other.y - one.y))
            if away < same[0][0] + 0.1:
                direction = degrees(atan2(other.y - one.y, other.x - one.x)) % 90.0
                directions[_within_quarter(one)][round(direction * 2) / 2 % 90.0] += 1
    along = {turn: _rows_direction(count) for turn, count in directions.items()}
    turned = [_turned(way, -along[turn]) for turn, found in ways.items() for way in found]
    in_rows = [x for x, y in turned if abs(y) < _ON_STEP_MM]
    in_columns = [y for x, y in turned if abs(x) < _ON_STEP_MM]
    if len(in_rows) >= len(in_columns):
        across = _step(in_rows) or _USUAL_PITCH_MM
        down = _step([y for x, y in turned if abs(x) < 0.8 * across and abs(y) > 0.7 * across]) or across
    else:
        down = _step(in_columns) or _USUAL_PITCH_MM
        across = _step([x for x, y in turned if abs(y) < 0.8 * down and abs(x) > 0.7 * down]) or down
    if max(across, down) > 1.25 * min(across, down):  # gaps between clusters, or turned switches between
        across = down = min(across, down)
    aside = [y for x, y in turned if abs(y) < 0.8 * down]
    above = [x for x, y in turned if abs(x) < 0.8 * across]
    are_straight = (2 * len(in_rows) >= len(aside), 2 * len(in_columns) >= len(above))
    return _Lattice((across, down), along, are_straight)


def _rows_direction(directions: Counter[float]) -> float:
    """The commonest direction within an eighth of a turn, so that across stays across; 0 if that will do."""
    angle, count = directions.most_common(1)[0]
    if directions[0.0] * 2 >= count:
        return 0.0
    return angle - 90.0 if angle > 45.0 else angle


def _step(lengths: Sequence[float]) -> float | None:
    """The smallest length that a good part of them share."""
    bins = Counter(round(abs(length) * 2) for length in lengths)
    if not bins:
        return None
    common = max(bins.values())
    least = min(length for length, count in bins.items() if count * 3 >= common)
    return median(abs(length) for length in lengths if abs(abs(length) * 2 - least) <= 1.0)


def _within_quarter(one: _Placed) -> int:
    return round(one.angle_deg) % 90


def _pairs(alike: Sequence[_Placed], lattice: _Lattice) -> Iterator[_Pair]:
    near = Nearby(((one.x, one.y) for one in alike), _NEIGHBOUR_MM)
    for index, one in enumerate(alike):
        for _, at in near.within(one.x, one.y, _NEIGHBOUR_MM):
            other = alike[at]
            if (
                at > index
                and abs(_half_turn(other.angle_deg - one.angle_deg)) >= _MUCH_TURNED_DEG
                and _within_quarter(one) == _within_quarter(other)
            ):
                rows = lattice.along.get(_within_quarter(one), 0.0)
                way = _turned((other.x - one.x, other.y - one.y), -rows)
                if lattice.is_in_line(way):
                    yield _Pair(way, one.angle_deg - rows, other.angle_deg - rows)


def _fits(pair: _Pair, offset: Place, pitch: Place) -> float:
    """1.0 if two centres are whole steps from one another across and down, 0.5 if only one way."""
    near, far = _turned(offset, pair.one_deg), _turned(offset, pair.other_deg)
    ways = [way + b - a for way, a, b in zip(pair.way, near, far, strict=True)]
    return sum(abs(_missing(way, step)) < _ON_STEP_MM for way, step in zip(ways, pitch, strict=True)) / 2


def _missing(way: float, step: float) -> float:
    """What is missing from whole steps, or too much."""
    return round(way / step) * step - way


def _inferred(pairs: Iterable[_Pair], pitch: Place) -> Place | None:
    """The offset that most pairs of neighbours agree on; None if few do."""
    votes = [_vote(pair, pitch) for pair in pairs]
    best: list[Place] = []
    for x, y in votes:
        near = [(u, v) for u, v in votes if hypot(u - x, v - y) < _ON_STEP_MM]
        if len(near) > len(best):
            best = near
    if len(best) < _FEWEST_WITNESSES or len(best) * 5 < len(votes):
        return None
    return median(x for x, _ in best), median(y for _, y in best)


def _vote(pair: _Pair, pitch: Place) -> Place:
    """The offset that makes the way between two centres whole steps, the shortest such one.

    It solves (turned by the other's angle - turned by the one's) offset = what is missing from whole steps.
    """
    x, y = (_missing(way, step) for way, step in zip(pair.way, pitch, strict=True))
    a = cos(radians(pair.other_deg)) - cos(radians(pair.one_deg))
    b = sin(radians(pair.other_deg)) - sin(radians(pair.one_deg))
    scale = a * a + b * b
    return (a * x + b * y) / scale, (a * y - b * x) / scale
