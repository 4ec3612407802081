"""What the stage `positions` asks for next, which follows from the verdicts so far; it makes none.

The rows of the shape in turn; what was silent once more at the end of its row.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hil.judge import Place
from hil.result import PositionVerdict
from hil.stages.positions import NOT_LET_GO, Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.stages.positions import Noted, Positions


@dataclass(frozen=True, slots=True)
class Question:
    """Which switch to press, and which to touch instead if it is silent. `attempt`: 0 the first time."""

    asked: str
    instead: str | None
    attempt: int


class Guide:
    """Which switch to ask for next. `rows`: switch names as the caps lie, a tuple per row of caps."""

    def __init__(self, positions: Positions, rows: Sequence[tuple[str, ...]]) -> None:
        self._positions = positions
        self._rows = tuple(rows)
        self._order = tuple(name for row in rows for name in row)
        self._asks: Counter[str] = Counter()
        self._attempts: Counter[str] = Counter()
        self._tries = 0  # answers to the present question that did not settle it
        self._instead: str | None = None
        self._offered: dict[str, set[str]] = {}  # asked → what could be touched instead so far
        self._current: str | None = None
        self._asked_before: list[str] = []
        self._done: set[str] = set()
        self._row = 0

    def question(self) -> Question | None:
        """What to ask now; None when nothing is left to ask."""
        if self._current is None:
            self._current = self._choice()
            self._tries = 0
            if self._current is not None:
                self._asked_before.append(self._current)
                self._instead = self._instead_of(self._current)
        name = self._current
        if name is None:
            return None
        if self._instead is not None:
            self._offered.setdefault(name, set()).add(self._instead)
        return Question(name, self._instead, self._attempts[name])

    def react(self, noted: Noted) -> None:
        """Moves on as an answer allows."""
        name = self._current
        if name is None:
            return
        if noted.kind is Kind.BACK and len(self._asked_before) > 1:
            self._asked_before.pop()
            self._current, self._tries = self._asked_before[-1], 0
            self._instead = self._instead_of(self._current)
            self._attempts[self._current] += 1
            self._done.discard(self._current)
            return
        if noted.switch is not None and noted.switch != name:
            # A press can unsettle what seemed settled: a contact that let go in the middle.
            self._done.discard(noted.switch)
        if noted.kind is Kind.RELEASED or noted.asked != name:
            return
        if noted.kind is Kind.SILENT:
            self._close(name)
        elif noted.switch == name and self._is_resolved(name):
            self._done.add(name)
            self._close(name)
        elif noted.kind is Kind.UNSTEADY or noted.switch == name:
            self._try(name, 4)
        elif noted.kind is Kind.UNCLEAR:
            self._try(name, 2 if name in noted.pressed else 4)
        elif noted.unsettled:
            self._try(name, 1 if self._positions.answered_elsewhere(name) else 4)
        else:
            # Something that had answered before: perhaps a slip, so the question needn't be put again.
            self._try(name, 1 if self._positions.answered_elsewhere(name) else 2, again=False)

    def _try(self, name: str, tries: int, *, again: bool = True) -> None:
        self._tries += 1
        self._attempts[name] += again
        if self._tries >= tries:
            self._close(name)

    def _close(self, name: str) -> None:
        self._asks[name] += 1
        self._attempts[name] += 1
        self._current = None

    def _is_resolved(self, name: str) -> bool:
        if name in self._done:
            return True
        positions = self._positions
        position = positions.position(name)
        verdict = position.verdict
        if verdict is PositionVerdict.OPEN and self._asks[name] < 2 and positions.answered_elsewhere(name):
            return False  # what answered has answered for itself too: perhaps a slip
        resolved = (
            position.blocked_by == (NOT_LET_GO,)
            or verdict not in (PositionVerdict.UNTESTED, PositionVerdict.ANSWERS)
            or bool(positions.hidden_by(name))
            or bool(positions.seen_with(name))
        )
        if resolved:
            self._done.add(name)
        return resolved

    def _choice(self) -> str | None:
        while self._row < len(self._rows):
            row = self._rows[self._row]
            for asks in (0, 1):
                for name in row:
                    if (
                        self._asks[name] == asks
                        and not self._is_resolved(name)
                        and not self._is_waiting(name)
                        and not self._is_elsewhere(name)
                    ):
                        return name
            self._row += 1
        # What had to wait for a switch of another row, or was taken for another one meanwhile.
        for name in self._order:
            asks = 2 + self._positions.disagrees(name)
            if self._asks[name] < asks and not self._is_resolved(name) and not self._is_elsewhere(name):
                return name
        return None

    def _is_elsewhere(self, name: str) -> bool:
        """Answered twice in the same other place: what that means, the one of that place will show."""
        at = self._positions.answered_elsewhere(name)
        return isinstance(at, Place) or (at is not None and not self._positions.is_settled(at))

    def _is_waiting(self, name: str) -> bool:
        """Touched instead of a switch that is still to be asked again: that one's answer settles both."""
        other = self._positions.rolled_over(name)
        return (
            other is not None
            and self._asks[name] == 0
            and self._asks[other] < 2
            and not self._is_resolved(other)
        )

    def _instead_of(self, name: str) -> str | None:
        """What to touch to say that this one is silent: the next one, or one that is known to answer."""
        at = self._order.index(name)
        positions = self._positions
        for other in self._order[at + 1 :]:
            if (
                not self._asks[other]
                and not positions.hidden_by(other)
                and not self._is_resolved(other)
                and positions.rolled_over(other) is None
            ):
                return other
        # Who answers in its place can't say that it is silent.
        # Where few are asked for, others may be known from before.
        beyond = [other for other in positions.matrix.switches if other not in self._order]
        settled = [
            other
            for other in (*self._order, *beyond)
            if other != name and positions.is_settled(other) and not positions.answers_for(other, name)
        ]
        if settled:
            # Another one than before, or this one might read as the one offered, and seem silent twice. And
            # one of other lines: what a bridge or a swap makes of this one is rather on its own.
            lines, before = positions.lines_of_switch(name), self._offered.get(name, ())
            if len(settled) == 1 and settled[0] in before and positions.was_touched_for(name, settled[0]):
                return None  # this one may read as the only one there is to offer
            order = (*self._order, *beyond)
            return min(
                settled,
                key=lambda other: (
                    other in before,
                    bool(lines & positions.lines_of_switch(other)),
                    abs(order.index(other) - at),
                    other,
                ),
            )
        return None
