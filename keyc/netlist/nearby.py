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
        self._cells: dict[tuple[int, int], list[tuple[float, float, int]]] = defaultdict(list)
        for index, (x, y) in enumerate(points):
            self._cells[floor(x / cell), floor(y / cell)].append((x, y, index))

    def within(self, x: float, y: float, distance: float) -> list[tuple[float, int]]:
        """The points not farther away than `distance`, with how far each is; the nearest first."""
        cell = self._cell
        rows = range(floor((y - distance) / cell), floor((y + distance) / cell) + 1)
        return sorted(
            (away, index)
            for column in range(floor((x - distance) / cell), floor((x + distance) / cell) + 1)
            for row in rows
            for there_x, there_y, index in self._cells.get((column, row), ())
            if (away := hypot(there_x - x, there_y - y)) <= distance
        )
