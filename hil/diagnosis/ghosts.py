"""Ghosting: three pressed corners of a rectangle, and a fourth that answers although nobody pressed it.

Current that goes round three closed switches has to pass one of them against its diode: the one across
from the ghost. So two positions that begin to read pressed in one frame and complete a rectangle put the
diode across from either of them under suspicion. Seeing no ghost clears no diode.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

from hil.result import Ghost

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hil.judge import Matrix

Corners = frozenset[str]


class Ghosts:
    """Collects what frames say about ghosting. Pressed: reads so in the file's direction."""

    def __init__(self, matrix: Matrix) -> None:
        self._matrix = matrix
        self._at = {
            (switch.row, switch.column): switch.name
            for switch in matrix.wiring.switches
            if switch.direct is None
        }
        self._exercised: set[Corners] = set()
        self._candidates: dict[tuple[Corners, str], Ghost] = {}

    @property
    def exercised(self) -> int:
        """How many rectangles had three corners or more pressed at once."""
        return len(self._exercised)

    def rectangles(self) -> int:
        """How many rectangles the wiring has with a switch on each corner."""
        by_row: dict[int, set[int]] = {}
        for row, column in self._at:
            if row is not None and column is not None:
                by_row.setdefault(row, set()).add(column)
        return sum(
            shared * (shared - 1) // 2
            for one, other in combinations(by_row.values(), 2)
            if (shared := len(one & other)) > 1
        )

    def completes(self, name: str, pressed: frozenset[str]) -> bool:
        """Whether this position is the fourth corner of a rectangle whose other three read pressed."""
        others = pressed - {name}
        return len(others) >= 3 and any(True for _ in self._around(name, others))

    def see(self, before: frozenset[str], after: frozenset[str]) -> None:
        """One frame: the positions that read pressed before it and after it."""
        if len(after) >= 3:
            self._exercise(after)
        if before - after:
            self._clear(before - after, after)
        new = after - before
        if len(new) < 2:
            return
        for name in sorted(new):
            for across, beside in self._around(name, after - {name}):
                corners = frozenset((name, across, *beside))
                if len(corners & new) < 2:
                    continue
                rectangle = self._ordered(corners)
                self._candidates[corners, name] = Ghost(rectangle, name, across, proven=False)

    def found(self, shorted: Iterable[str] = ()) -> tuple[Ghost, ...]:
        """The ghosts. A suspect that was measured conducting both ways makes them proven; a shorted diode
        that no frame has shown at work is listed with a rectangle that it will spoil."""
        bad = set(shorted)
        ghosts = [
            Ghost(one.rectangle, one.ghost, one.suspect, one.suspect in bad)
            for one in self._candidates.values()
        ]
        for name in sorted(bad - {one.suspect for one in ghosts}):
            everything = frozenset(self._at.values())
            for across, beside in self._around(name, everything - {name}):
                rectangle = self._ordered(frozenset((name, across, *beside)))
                ghosts.append(Ghost(rectangle, across, name, proven=True))
                break
        return tuple(sorted(ghosts, key=lambda one: (not one.proven, one.rectangle, one.ghost)))

    def _around(self, name: str, pressed: frozenset[str]) -> Iterable[tuple[str, tuple[str, str]]]:
        """The corner across, and the two beside, of each rectangle that these complete with `name`."""
        switch = self._matrix.switches[name]
        if switch.direct is not None:
            return
        for across in sorted(pressed):
            other = self._matrix.switches[across]
            if other.direct is not None or other.row == switch.row or other.column == switch.column:
                continue
            beside = (self._at.get((switch.row, other.column)), self._at.get((other.row, switch.column)))
            if beside[0] in pressed and beside[1] in pressed and beside[0] and beside[1]:
                yield across, (beside[0], beside[1])

    def _exercise(self, pressed: frozenset[str]) -> None:
        for one, other in combinations(sorted(pressed), 2):
            a, b = self._matrix.switches[one], self._matrix.switches[other]
            if a.direct is not None or b.direct is not None or a.row == b.row or a.column == b.column:
                continue
            corners = {one, other, self._at.get((a.row, b.column)), self._at.get((b.row, a.column))}
            whole = frozenset(name for name in corners if name is not None)
            if len(whole) == 4 and len(whole & pressed) >= 3:
                self._exercised.add(whole)

    def _clear(self, gone: frozenset[str], still: frozenset[str]) -> None:
        """A ghost goes with the corner that carried it; what outlives that corner was a finger's."""
        by_rectangle: dict[Corners, set[str]] = {}
        for corners, name in self._candidates:
            by_rectangle.setdefault(corners, set()).add(name)
        for corners, names in by_rectangle.items():
            if gone & (corners - names):
                for name in names & still:
                    del self._candidates[corners, name]

    def _ordered(self, corners: Corners) -> tuple[str, str, str, str]:
        """Corners by row, then column, as the wiring has them."""
        a, b, c, d = (name for name in self._matrix.switches if name in corners)
        return a, b, c, d
