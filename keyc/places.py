"""Where a board's keys lie: from pads and holes in mm to caps in key units, and to the lines of a `shape`.

What a netlist doesn't hold is guessed, and the caller says so: a cap's width and height, from the gaps.
Key units with y downwards and angles clockwise, as in `shape`. One unit is the board's own pitch across and
down, which needn't be the same (19.05 mm is usual; 18 by 17 occurs).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import atan2, cos, degrees, hypot, radians, sin
from statistics import median

from keyc.circuit import Circuit, centroid_mm
from keyc.keyboard import Cap
from keyc.nearby import Nearby
from keyc.shape import Corner, cap_at, overlaps
from keyc.source import Source, Span
from keyc.wired_board import Contact, natural

USUAL_PITCH_MM = 19.05  # common practice
_HOLE_WITHIN_MM = 9.0  # from the middle of a switch's pads to its centre hole
_NEIGHBOUR_MM = 30.0
_SAME_ANGLE_DEG = 0.4
_SAME_ROW_MM = 1.0

_WIDEST_GUESSED_U = 2.75
_BARS_U = (5.5, 7.0)  # what is wider than a shift key is a space bar
_STEP_U = 0.05


@dataclass(frozen=True, slots=True)
class Spot:
    """A key's centre on the board in mm (y downwards) and its turn in degrees, clockwise."""

    name: str
    x_mm: float
    y_mm: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class PlacedCap:
    """A cap in key units: its centre, its guessed size, its turn."""

    name: str
    x_u: float
    y_u: float
    width_u: float
    height_u: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class CapLine:
    """A line of `shape`: its corner (None: it follows the line before), its caps with the gap before each.

    The caps' places are those in the line's own, unturned frame.
    """

    corner: tuple[float, float, float] | None
    caps: tuple[tuple[float, PlacedCap], ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """The lines of `shape`, the caps as these lines place them, the pitch in mm across and down.

    `crowded`: keys left out because they lie on another one, with that one.
    """

    lines: tuple[CapLine, ...]
    caps: tuple[PlacedCap, ...]
    pitch_mm: tuple[float, float]
    crowded: tuple[tuple[str, str], ...]


# ---- pads → spots -----------------------------------------------------------------------------


def spots_of(circuit: Circuit, contacts: Sequence[Contact]) -> list[Spot]:
    """Each switch's centre and turn, in their order.

    The centre is the large bare hole nearest to its pads, else their middle. The turn shows in where the pads
    lie around it, compared with the other switches of the same footprint.
    """
    holes = Nearby(((hole.x_mm, hole.y_mm) for hole in circuit.holes), _HOLE_WITHIN_MM)
    footprints = [_footprint(circuit, contact, holes) for contact in contacts]
    turns = _turns(footprints)
    return [
        Spot(contact.name, footprint.x, -footprint.y, turn)
        for contact, footprint, turn in zip(contacts, footprints, turns, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Footprint:
    """A switch's centre in mm (y upwards), and the arms from it to the first and second net's pads."""

    x: float
    y: float
    arms: tuple[tuple[float, float], ...]


def _footprint(circuit: Circuit, contact: Contact, holes: Nearby) -> _Footprint:
    pins = sorted(contact.pins)  # records come in any order
    middles = [centroid_mm(contact.part.pads[pin]) for pin in pins]
    places = [pad for pin in pins for pad in contact.part.pads[pin]]
    x, y = centroid_mm(places)
    # Wider pads than a switch has, because the file's unit is wrong, put the hole farther away, too.
    extent = max(hypot(pad.x_mm - x, pad.y_mm - y) for pad in places)
    near = holes.within(x, y, max(_HOLE_WITHIN_MM, 2 * extent))
    if near:
        hole = circuit.holes[near[0][1]]
        x, y = hole.x_mm, hole.y_mm
        arms = tuple((mx - x, my - y) for mx, my in middles[:2])
    else:
        (x0, y0), (x1, y1) = middles[0], middles[-1]
        arms = ((x1 - x0, y1 - y0),)
    return _Footprint(x, y, tuple(arm for arm in arms if hypot(*arm) > 0.5))


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
    return 0.0 if abs(base) < _SAME_ANGLE_DEG else base - commonest


def _clockwise(arm: tuple[float, float]) -> float:
    """An arm's direction in degrees, clockwise as seen from the front (the file's y points upwards)."""
    return degrees(atan2(-arm[1], arm[0]))


def _quarter(angle: float) -> float:
    """An angle within a quarter turn: -45 < angle <= 45."""
    turned = angle % 90.0
    return turned - 90.0 if turned > 45.0 else turned


# ---- spots → caps -----------------------------------------------------------------------------


def layout_of(spots: Sequence[Spot], others: Sequence[Spot] = ()) -> Layout:
    """The lines of `shape` that put every cap where its switch is, to within 0.05 u.

    `others` get no cap, but show the pitch as well.
    """
    if not spots:
        return Layout((), (), (USUAL_PITCH_MM, USUAL_PITCH_MM), ())
    upright = _set_upright([*spots, *others])
    pitch = _pitch_mm(upright)
    spots = upright[: len(spots)]
    groups = _by_turn(spots)
    caps = _upright_caps(
        [
            PlacedCap(spot.name, spot.x_mm / pitch[0], spot.y_mm / pitch[1], 1.0, 1.0, 0.0)
            for spot in groups.pop(0.0, [])
        ]
    )
    for turn, members in groups.items():
        caps += [
            PlacedCap(spot.name, spot.x_mm / pitch[0], spot.y_mm / pitch[1], 1.0, 1.0, turn)
            for spot in members
        ]
    caps, crowded = _without_overlaps(caps)
    lines = _settled(caps)
    written = (
        PlacedCap(cap.switch, cap.x_u, cap.y_u, cap.width_u, cap.height_u, cap.rotation_deg)
        for cap in _as_written(lines)
    )
    return Layout(tuple(lines), tuple(written), pitch, tuple(crowded))


def _set_upright(spots: Sequence[Spot]) -> Sequence[Spot]:
    """The spots turned so that a board which lies askew in the file as a whole stands upright."""
    first = spots[0].turn_deg
    if abs(first) < _SAME_ANGLE_DEG or any(abs(spot.turn_deg - first) > _SAME_ANGLE_DEG for spot in spots):
        return spots
    return [Spot(spot.name, *_rotated(spot.x_mm, spot.y_mm, -first), 0.0) for spot in spots]


def _rotated(x: float, y: float, turn_deg: float) -> tuple[float, float]:
    """A point turned clockwise about the origin (y downwards)."""
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    return x * c - y * s, x * s + y * c


def _pitch_mm(spots: Sequence[Spot]) -> tuple[float, float]:
    """The distance of neighbours across and down: the smallest one that is common."""
    index = Nearby(((spot.x_mm, spot.y_mm) for spot in spots), _NEIGHBOUR_MM)
    nearest = []
    for spot in spots:
        for reach in (_NEIGHBOUR_MM, 4 * _NEIGHBOUR_MM):
            near = [away for away, _ in index.within(spot.x_mm, spot.y_mm, reach) if away > 5.0]
            if near:
                nearest.append(near[0])
                break
    if not nearest:
        return USUAL_PITCH_MM, USUAL_PITCH_MM
    typical = median(nearest)
    in_line: tuple[list[float], list[float]] = ([], [])
    staggered: tuple[list[float], list[float]] = ([], [])
    for spot in spots:
        for away, other in index.within(spot.x_mm, spot.y_mm, 1.5 * typical):
            if away < 0.5 * typical or abs(spots[other].turn_deg - spot.turn_deg) > _SAME_ANGLE_DEG:
                continue
            step = _rotated(spots[other].x_mm - spot.x_mm, spots[other].y_mm - spot.y_mm, -spot.turn_deg)
            for axis in (0, 1):
                along, beside = step[axis], abs(step[1 - axis])
                if along > 0 and beside < _SAME_ROW_MM:
                    in_line[axis].append(along)
                elif along > 0 and beside < 0.8 * typical:
                    staggered[axis].append(along)
    # Where rows or columns are staggered few keys are straight beside or below one another.
    x, y = (
        _smallest_common(straight if len(straight) * 5 >= len(spots) else straight + off, typical)
        for straight, off in zip(in_line, staggered, strict=True)
    )
    return x or y or typical, y or x or typical


def _smallest_common(lengths: Sequence[float], typical: float) -> float | None:
    """The smallest length that a good part of them share; None if none is near the typical one."""
    bins = Counter(round(length * 4) for length in lengths if length > 0.7 * typical)
    if not bins:
        return None
    common = max(bins.values())
    least = min(length for length, count in bins.items() if count * 3 >= common)
    return round(median(length for length in lengths if abs(length * 4 - least) <= 1.0), 3)


def _by_turn(spots: Sequence[Spot]) -> dict[float, list[Spot]]:
    """Spots by their turn, in degrees rounded to what a hand would write; nearly upright ones are 0."""
    groups: dict[float, list[Spot]] = defaultdict(list)
    for spot in sorted(spots, key=lambda spot: spot.turn_deg):
        turn = round(spot.turn_deg, 1)
        if abs(turn - round(turn)) < 0.15:
            turn = float(round(turn))
        if abs(turn) < _SAME_ANGLE_DEG:
            turn = 0.0
        near = next((known for known in groups if abs(known - turn) < _SAME_ANGLE_DEG), turn)
        groups[near].append(spot)
    return dict(groups)


# ---- upright caps: rows, heights, widths ------------------------------------------------------


def _upright_caps(caps: list[PlacedCap]) -> list[PlacedCap]:
    """Caps snapped to eighths of a unit where they nearly are, with the sizes that their gaps suggest."""
    if not caps:
        return []
    left = min(cap.x_u for cap in caps) - 0.5
    rows = _rows(caps)
    rows = _tall(rows)
    x_phase = _phase([cap.x_u - left for cap in caps])
    rows = [
        [replace(cap, x_u=_snapped(cap.x_u - left - x_phase) + left + x_phase) for cap in row] for row in rows
    ]
    edge = _left_edge(rows, left)
    return [cap for row in rows for cap in _widened(row, edge)]


def _left_edge(rows: Iterable[Sequence[PlacedCap]], left: float) -> float:
    """Where rows begin: the place that several first caps reach to if they touch a second one of 1 u.

    `left` is where the leftmost cap would begin if it were 1 u wide: the edge can't lie right of it.
    """
    begins: Counter[float] = Counter()
    for row in rows:
        if len(row) > 2 and row[2].x_u - row[1].x_u < 1.03:  # so the second one is 1 u wide
            begins[round(2 * row[0].x_u - row[1].x_u + 0.5, 2)] += 1
    if not begins:
        return left
    edge, count = max(begins.items(), key=lambda item: (item[1], item[0]))
    return edge if count > 1 and left - 1 < edge < left else left


def _phase(values: Sequence[float]) -> float:
    """How far off from eighths most of the values are, so that they can be snapped together."""
    offsets = [value * 8 - round(value * 8) for value in values]
    return median(offsets) / 8 if max(offsets) - min(offsets) < 0.5 else 0.0


def _snapped(value: float) -> float:
    eighth = round(value * 8) / 8
    return eighth if abs(value - eighth) <= 0.02 else value


def _rows(caps: Iterable[PlacedCap]) -> list[list[PlacedCap]]:
    """Caps by height, from the top; those of a row get its middle height. Each row from left to right."""
    rows: list[list[PlacedCap]] = []
    for cap in sorted(caps, key=lambda cap: cap.y_u):
        if rows and cap.y_u - rows[-1][0].y_u < _STEP_U:
            rows[-1].append(cap)
        else:
            rows.append([cap])
    levelled = []
    for row in rows:
        y = median(cap.y_u for cap in row)
        levelled.append([replace(cap, y_u=y) for cap in sorted(row, key=lambda cap: cap.x_u)])
    top = levelled[0][0].y_u
    return [[replace(cap, y_u=top + _snapped(cap.y_u - top)) for cap in row] for row in levelled]


def _tall(rows: list[list[PlacedCap]]) -> list[list[PlacedCap]]:
    """Rows with the caps made two units tall that lie halfway between two rows, with room for that."""
    every = [cap for row in rows for cap in row]
    near = Nearby(((cap.x_u, cap.y_u) for cap in every), 2.0)

    def is_tall(cap: PlacedCap, row: list[PlacedCap]) -> bool:
        around = [every[index] for away, index in near.within(cap.x_u, cap.y_u, 2.0) if away > 0]
        if any(abs(one.x_u - cap.x_u) < 0.95 and abs(one.y_u - cap.y_u) < 1.4 for one in around):
            return False
        beside = {round(one.y_u - cap.y_u, 2) for one in around}
        return (
            len(row) <= 2
            and any(abs(y + 0.5) < 0.06 for y in beside)
            and any(abs(y - 0.5) < 0.06 for y in beside)
        )

    return [[replace(cap, height_u=2.0) if is_tall(cap, row) else cap for cap in row] for row in rows]


def _widened(row: list[PlacedCap], left: float) -> list[PlacedCap]:
    """A row's caps with guessed widths: room that caps of 1 u would leave between them is wide caps'."""
    steps = [b.x_u - a.x_u for a, b in pairwise(row)]
    widths: list[float | None] = [None] * len(row)
    for index, step in enumerate(steps):
        if step < 1.03:
            widths[index] = widths[index + 1] = 1.0
    for index in range(len(row)):
        if widths[index] is not None:
            continue
        sides = []
        if index == 0 and steps:
            sides += [2 * (row[0].x_u - left), 2 * steps[0] - 1]
        elif (before := widths[index - 1]) is not None:
            sides.append(2 * steps[index - 1] - before)
        if index + 1 < len(row) and (after := widths[index + 1]) is not None:
            sides.append(2 * steps[index] - after)
        widths[index] = _plausible(min(sides, default=1.0))
    return [replace(cap, width_u=width or 1.0) for cap, width in zip(row, widths, strict=True)]


def _plausible(width: float) -> float:
    """A width as caps have it (quarters of a unit), or 1."""
    quarter = round(width * 4) / 4
    if abs(width - quarter) > 0.03 or quarter < 1:
        return 1.0
    return quarter if quarter <= _WIDEST_GUESSED_U or _BARS_U[0] <= quarter <= _BARS_U[1] else 1.0


def _without_overlaps(caps: list[PlacedCap]) -> tuple[list[PlacedCap], list[tuple[str, str]]]:
    """The caps with sizes taken back where they would overlap, and those left out that still do."""
    source = Source("", "")
    span = Span(source, 0, 0)

    def pairs(caps: Sequence[PlacedCap], slack: float) -> list[tuple[Cap, Cap]]:
        return overlaps(
            [
                Cap(
                    cap.name,
                    cap.x_u,
                    cap.y_u,
                    cap.width_u - slack,
                    cap.height_u - slack,
                    cap.turn_deg,
                    0,
                    span,
                )
                for cap in caps
            ]
        )

    big = {one.switch for pair in pairs(caps, 0.06) for one in pair if one.width_u > 1 or one.height_u > 1}
    caps = [replace(cap, width_u=1.0, height_u=1.0) if cap.name in big else cap for cap in caps]
    on: dict[str, set[str]] = defaultdict(set)
    for first, second in pairs(caps, 0.1):
        on[first.switch].add(second.switch)
        on[second.switch].add(first.switch)
    crowded: dict[str, str] = {}
    while any(on.values()):
        # The one that lies on most others goes, among equals the one with the highest number.
        worst = max(on, key=lambda name: (len(on[name]), natural(name)))
        crowded[worst] = min(on[worst], key=natural)
        for other in on.pop(worst):
            on[other].discard(worst)
    return [cap for cap in caps if cap.name not in crowded], list(crowded.items())


_NOWHERE = Source("", "")


# ---- caps → lines -----------------------------------------------------------------------------


def _settled(caps: Sequence[PlacedCap]) -> list[CapLine]:
    """Lines in which no two caps overlap as written.

    Turned clusters are often a little closer than whole caps allow, and lengths are rounded: caps that run
    into one another by less than a tenth of a unit are made smaller by as much.
    """
    for size in (0.95, 0.9, 0.85):
        lines = _lines(caps)
        tight = {one.switch for pair in overlaps(_as_written(lines)) for one in pair}
        if not tight:
            return lines
        caps = [
            replace(cap, width_u=cap.width_u - 1 + size, height_u=cap.height_u - 1 + size)
            if cap.name in tight
            else cap
            for cap in caps
        ]
    return _lines(caps)


def _as_written(lines: Sequence[CapLine]) -> list[Cap]:
    """The caps where the compiler will put them."""
    caps = []
    row = 0
    for line in lines:
        corner = Corner(*line.corner) if line.corner else Corner(0.0, float(row))
        row += line.corner is None
        x_u = 0.0
        for gap, cap in line.caps:
            size = (cap.width_u, cap.height_u)
            caps.append(cap_at(cap.name, corner, x_u + gap, size, 0, Span(_NOWHERE, 0, 0)))
            x_u += gap + cap.width_u
    return caps


def _lines(caps: Sequence[PlacedCap]) -> list[CapLine]:
    """Lines from the top; turned ones after the upright ones. The upper left corner of all is the origin."""
    corners = [corner for cap in caps for corner in _corners(cap)]
    left, top = min(x for x, _ in corners), min(y for _, y in corners)
    upright: dict[float, list[PlacedCap]] = defaultdict(list)
    turned: dict[float, list[PlacedCap]] = defaultdict(list)
    for cap in caps:
        moved = replace(cap, x_u=cap.x_u - left, y_u=cap.y_u - top)
        if cap.turn_deg:
            turned[cap.turn_deg].append(moved)
        else:
            upright[round(moved.y_u - moved.height_u / 2, 3)].append(moved)
    lines: list[CapLine] = []
    due = 0
    for y in sorted(upright):
        row = sorted(upright[y], key=lambda cap: cap.x_u)
        if abs(y - due) < 0.02:
            lines.append(CapLine(None, _spaced(row, 0.0)))
            due += 1
        else:
            first = row[0].x_u - row[0].width_u / 2
            corner = (max(0.0, round(first, 3)), _written(y), 0.0)
            lines.append(CapLine(corner, _spaced(row, corner[0])))
    for turn in sorted(turned):
        lines += _turned_lines(turned[turn], turn)
    return lines


def _corners(cap: PlacedCap) -> list[tuple[float, float]]:
    x, y = cap.width_u / 2, cap.height_u / 2
    turned = [_rotated(dx, dy, cap.turn_deg) for dx, dy in ((-x, -y), (x, -y), (-x, y), (x, y))]
    return [(cap.x_u + dx, cap.y_u + dy) for dx, dy in turned]


def _turned_lines(caps: Sequence[PlacedCap], turn: float) -> list[CapLine]:
    """Lines of caps with one turn, each from the corner of its first cap."""
    straight = []
    for cap in caps:
        x, y = _rotated(cap.x_u, cap.y_u, -turn)
        straight.append(replace(cap, x_u=x, y_u=y))
    lines = []
    for row in _runs(_rows(straight)):
        first = row[0]
        x, y = _rotated(first.x_u - first.width_u / 2, first.y_u - first.height_u / 2, turn)
        corner = (max(0.0, round(x, 3)), max(0.0, round(y, 3)), turn % 360)
        lines.append(CapLine(corner, _spaced(row, first.x_u - first.width_u / 2)))
    return lines


def _runs(rows: Iterable[list[PlacedCap]]) -> list[list[PlacedCap]]:
    """Rows cut where caps of different height meet, or where far apart clusters happen to be in line."""
    runs: list[list[PlacedCap]] = []
    for row in rows:
        for index, cap in enumerate(row):
            before = row[index - 1]
            if index and before.height_u == cap.height_u and cap.x_u - before.x_u < 4:
                runs[-1].append(cap)
            else:
                runs.append([cap])
    return runs


def _spaced(row: Sequence[PlacedCap], start: float) -> tuple[tuple[float, PlacedCap], ...]:
    """Each cap with the gap before it, so that its centre is right whatever was rounded before."""
    placed = []
    at = start
    for cap in row:
        gap = max(0.0, _written(cap.x_u - cap.width_u / 2 - at))
        if gap < 0.02:
            gap = 0.0
        placed.append((gap, cap))
        at += gap + cap.width_u
    return tuple(placed)


def _written(length: float) -> float:
    """A length as it is written: hundredths of a unit, or the eighth that it is."""
    eighth = round(length * 8) / 8
    return eighth if abs(length - eighth) < 0.004 else round(length, 2)
