"""Caps in key units → the lines of a `shape` that put each of them there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import cos, radians, sin
from statistics import median

from keyc.keyboard import Cap
from keyc.language.shape import Corner, cap_at, overlaps
from keyc.source import Source, Span

_STEP_U = 0.05
_NOWHERE = Source("", "")


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


def rotated(x: float, y: float, turn_deg: float) -> tuple[float, float]:
    """A point turned clockwise about the origin (y downwards)."""
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    return x * c - y * s, x * s + y * c


def settled_lines(caps: Sequence[PlacedCap]) -> list[CapLine]:
    """Lines in which no two caps overlap as written.

    Turned clusters are often a little closer than whole caps allow, and lengths are rounded: caps that run
    into one another by less than a tenth of a unit are made smaller by as much.
    """
    for size in (0.95, 0.9, 0.85):
        lines = _lines(caps)
        tight = {one.switch for pair in overlaps(caps_as_written(lines)) for one in pair}
        if not tight:
            return lines
        caps = [
            replace(cap, width_u=cap.width_u - 1 + size, height_u=cap.height_u - 1 + size)
            if cap.name in tight
            else cap
            for cap in caps
        ]
    return _lines(caps)


def caps_as_written(lines: Sequence[CapLine]) -> list[Cap]:
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
    for turn in sorted(turned, key=lambda turn: _reading_place(turned[turn])):
        lines += _turned_lines(turned[turn], turn)
    return lines


def _reading_place(caps: Sequence[PlacedCap]) -> tuple[float, float]:
    """Where a cluster begins: from the top in whole units, then from the left."""
    return round(min(cap.y_u for cap in caps)), min(cap.x_u for cap in caps)


def _corners(cap: PlacedCap) -> list[tuple[float, float]]:
    x, y = cap.width_u / 2, cap.height_u / 2
    turned = [rotated(dx, dy, cap.turn_deg) for dx, dy in ((-x, -y), (x, -y), (-x, y), (x, y))]
    return [(cap.x_u + dx, cap.y_u + dy) for dx, dy in turned]


def _turned_lines(caps: Sequence[PlacedCap], turn: float) -> list[CapLine]:
    """Lines of caps with one turn, each from the corner of its first cap."""
    straight = []
    for cap in caps:
        x, y = rotated(cap.x_u, cap.y_u, -turn)
        straight.append(replace(cap, x_u=x, y_u=y))
    lines = []
    for row in _runs(rows_of(straight)):
        first = row[0]
        x, y = rotated(first.x_u - first.width_u / 2, first.y_u - first.height_u / 2, turn)
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


def rows_of(caps: Iterable[PlacedCap]) -> list[list[PlacedCap]]:
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
    return [[replace(cap, y_u=top + snapped(cap.y_u - top)) for cap in row] for row in levelled]


def snapped(value: float) -> float:
    eighth = round(value * 8) / 8
    return eighth if abs(value - eighth) <= 0.02 else value
