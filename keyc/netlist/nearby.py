"""Points in the plane, found by their neighbourhood."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from math import floor, hypot


class Nearby:
    """An index of points, each known by its place in the given order; lengths in any one unit."""

    def __init__(self, points: Iterable[tuple[float, float]], cell: float) -> None:
        """`cell`: about the distances that will be asked for."""
        self._cell = cell
        self._points = list(points)
        self._cells: dict[tuple[int, int], list[int]] = defaultdict(list)
        for index, (x, y) in enumerate(self._points):
            self._cells[floor(x / cell), floor(y / cell)].append(index)

    def within(self, x: float, y: float, distance: float) -> list[tuple[float, int]]:
        """The points not farther away than `distance`, with how far each is; the nearest first."""
        cell, points = self._cell, self._points
        found = []
        for column in range(floor((x - distance) / cell), floor((x + distance) / cell) + 1):
            for row in range(floor((y - distance) / cell), floor((y + distance) / cell) + 1):
                for index in self._cells.get((column, row), ()):
                    away = hypot(points[index][0] - x, points[index][1] - y)
                    if away <= distance:
                        found.append((away, index))
        return sorted(found)
