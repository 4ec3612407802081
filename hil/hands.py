"""Whoever touches the switches: a person at the bench, or the finger of a virtual board."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.stages.positions import Question
    from hil.virtual import Finger

_PATIENCE_US = 60_000  # from the end of a press to being sure that nothing came of it
_REACH_US, _HOLD_US = 40_000, 30_000  # a brisk hand


class Person:
    """A person: presses the switch, and Enter on the computer if it doesn't answer; or says so elsewhere."""

    def __init__(self, says_silent: Callable[[], bool] = lambda: False) -> None:
        self._says_silent = says_silent

    def asked(self, question: Question) -> None:
        """Nothing to do: the person reads the prompt."""

    def gives_up(self) -> bool:
        """Whether Enter was pressed (where nobody sits at a terminal, never), or it was said elsewhere."""
        return self._says_silent() or self._pressed_enter()

    def _pressed_enter(self) -> bool:
        if not sys.stdin or not sys.stdin.isatty():
            return False
        from select import select

        try:
            ready, _, _ = select([sys.stdin], [], [], 0)
        except (OSError, ValueError):  # no such thing for a console on this system
            return False
        return bool(ready) and bool(sys.stdin.readline())

    def gone(self) -> None:
        """Nothing to do: the person is told to plug it in again."""


class FingerHand:
    """The finger of a virtual board: does what a prompt asks, and says so when nothing comes of it."""

    def __init__(self, finger: Finger) -> None:
        self._finger = finger
        self._until_us: int | None = None
        self._free_us = 0  # when the hand has let go of the last switch and reached the next one

    def asked(self, question: Question) -> None:
        now_us = self._finger.now_us
        done_us = self._finger.tap(question.asked, _HOLD_US, max(now_us, self._free_us) + _REACH_US)
        self._free_us, self._until_us = done_us, done_us + _PATIENCE_US

    def gives_up(self) -> bool:
        if self._until_us is None or self._finger.now_us < self._until_us:
            return False
        self._until_us = None
        return True

    def gone(self) -> None:
        self._finger.obey("plug")
