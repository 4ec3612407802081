"""Where a board's keys lie: from their centres in mm to caps in key units, and to the lines of a `shape`.

What a netlist doesn't hold is guessed, and the caller says so: a cap's width and height, from the gaps.
Key units with y downwards and angles clockwise, as in `shape`. One unit is the board's own pitch across and
down, which needn't be the same (19.05 mm is usual; 18 by 17 occurs).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from keyc.keyboard import Cap
from keyc.language.shape import overlaps
from keyc.netlist.cap_lines import (
    CapLine,
    PlacedCap,
    caps_as_written,
    rotated,
    rows_of,
    settled_lines,
    snapped,
)
from keyc.netlist.nearby import Nearby
from keyc.netlist.spots import SAME_ANGLE_DEG, Spot
from keyc.netlist.wired_board import natural
from keyc.source import Source, Span

USUAL_PITCH_MM = 19.05  # common practice
_NEIGHBOUR_MM = 30.0
_SAME_ROW_MM = 1.0

_WIDEST_GUESSED_U = 2.75
_STEP_U = 0.05
_BARS_U = (5.5, 7.0)  # what is wider than a shift key is a space bar


@dataclass(frozen=True, slots=True)
class Layout:
    """The lines of `shape`, the caps as these lines place them, the pitch in mm across and down.

    `crowded`: keys left out because they lie on another one, with that one. `about`: keys that lie only about
    where they are said to.
    """

    lines: tuple[CapLine, ...]
    caps: tuple[PlacedCap, ...]
    pitch_mm: tuple[float, float]
    crowded: tuple[tuple[str, str], ...]
    about: tuple[str, ...] = ()


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
    lines = settled_lines(caps)
    written = (
        PlacedCap(cap.switch, cap.x_u, cap.y_u, cap.width_u, cap.height_u, cap.rotation_deg)
        for cap in caps_as_written(lines)
    )
    about = tuple(spot.name for spot in spots if spot.is_about)
    return Layout(tuple(lines), tuple(written), pitch, tuple(crowded), about)


def _set_upright(spots: Sequence[Spot]) -> Sequence[Spot]:
    """The spots turned so that a board which lies askew in the file as a whole stands upright."""
    first = spots[0].turn_deg
    if abs(first) < SAME_ANGLE_DEG or any(abs(spot.turn_deg - first) > SAME_ANGLE_DEG for spot in spots):
        return spots
    return [Spot(spot.name, *rotated(spot.x_mm, spot.y_mm, -first), 0.0, spot.is_about) for spot in spots]


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
            if away < 0.5 * typical or abs(spots[other].turn_deg - spot.turn_deg) > SAME_ANGLE_DEG:
                continue
            step = rotated(spots[other].x_mm - spot.x_mm, spots[other].y_mm - spot.y_mm, -spot.turn_deg)
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
        if abs(turn) < SAME_ANGLE_DEG:
            turn = 0.0
        near = next((known for known in groups if abs(known - turn) < SAME_ANGLE_DEG), turn)
        groups[near].append(spot)
    return dict(groups)


# ---- upright caps: rows, heights, widths ------------------------------------------------------


def _upright_caps(caps: list[PlacedCap]) -> list[PlacedCap]:
    """Caps snapped to eighths of a unit where they nearly are, with the sizes that their gaps suggest."""
    if not caps:
        return []
    left = min(cap.x_u for cap in caps) - 0.5
    rows = rows_of(caps)
    rows = _tall(rows)
    x_phase = _phase([cap.x_u - left for cap in caps])
    rows = [
        [replace(cap, x_u=snapped(cap.x_u - left - x_phase) + left + x_phase) for cap in row] for row in rows
    ]
    edge = _left_edge(rows, left)
    return _wide_and_tall([cap for row in rows for cap in _widened(row, edge)])


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


def _wide_and_tall(caps: list[PlacedCap]) -> list[PlacedCap]:
    """Caps of two rows made so wide that they touch a neighbour on either side, where one width does both."""
    widened = []
    for cap in caps:
        if cap.height_u > 1:
            room: dict[bool, float] = {}
            for one in caps:
                if one is not cap and abs(one.y_u - cap.y_u) < (one.height_u + cap.height_u) / 2 - _STEP_U:
                    is_left = one.x_u < cap.x_u
                    away = 2 * abs(one.x_u - cap.x_u) - one.width_u
                    room[is_left] = min(away, room.get(is_left, away))
            if len(room) == 2 and abs(room[True] - room[False]) < _STEP_U:
                cap = replace(cap, width_u=_plausible(min(room.values())))
        widened.append(cap)
    return widened


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
